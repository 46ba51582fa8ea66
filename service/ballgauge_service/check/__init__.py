"""One ball, or a batch: request, drilling, facts, verdict, remedies, answer."""
