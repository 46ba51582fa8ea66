"use strict";

window.addEventListener("load", () => {
  SwaggerUIBundle({
    url: "openapi.json",
    dom_id: "#interface",
    deepLinking: true,
    displayRequestDuration: true,
    validatorUrl: null,
  });
});
