"""The contract's test kit: tests that any Ballgauge service has to pass, whoever wrote it.

    pip install 'ballgauge[contract]'
    pytest --pyargs ballgauge.contract --ballgauge-url http://127.0.0.1:8000 --ballgauge-key KEY

The key, where the service asks for one, needs the scopes check, lot, design, sign and date. Without an
address the engine inside this process is tested (``pip install 'ballgauge[service]'``).
``--ballgauge-examples`` says how many generated requests each property is tried with. The kit computes no
ball of its own: it knows the contract (schemas, document, examples) and what follows from it. Verdicts follow
from the numbers told, limits and dates from `/v1/rulebooks`, a lot's acceptance from its own counts and plan;
mirrored, converted and reordered requests have the same numbers; recorded answers have theirs to a millionth.
A service of a newer version may answer members that the kit does not know.

`ballgauge.contract.compatibility` tells what an OpenAPI document breaks of an older one.
"""
