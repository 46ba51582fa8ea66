"""`python -m ballgauge` is the command `ballgauge`."""

from ballgauge._command import main

main()
