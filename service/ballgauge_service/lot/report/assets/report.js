(function () {
  "use strict";
  var charts = JSON.parse(document.getElementById("chart-data").textContent);
  function coloured(value, style) {
    if (typeof value === "string" && value.charAt(0) === "$") {
      return style.getPropertyValue("--" + value.slice(1)).trim();
    }
    if (Array.isArray(value)) { return value.map(function (each) { return coloured(each, style); }); }
    if (value && typeof value === "object") {
      var copy = {};
      Object.keys(value).forEach(function (name) { copy[name] = coloured(value[name], style); });
      return copy;
    }
    return value;
  }
  function draw() {
    var style = getComputedStyle(document.documentElement);
    document.querySelectorAll(".chart").forEach(function (place) {
      var chart = coloured(charts[place.id], style);
      var narrow = place.clientWidth < 420;
      if (narrow) { chart.layout.font.size = 12; }
      Plotly.react(place, chart.data, chart.layout, { responsive: true, displayModeBar: false });
    });
  }
  draw();
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
})();
