"""The contract's test kit: tests that any Ballgauge service has to pass, whoever wrote it.

    pip install 'ballgauge[contract]'
    pytest --pyargs ballgauge.contract --ballgauge-url http://127.0.0.1:8000 --ballgauge-key KEY

The key, where the service asks for one, needs the scopes check, lot, design, sign and date. Without an
address the engine inside this process is tested (``pip install 'ballgauge[service]'``).
``--ballgauge-examples`` says how many generated requests each property is tried with. The kit computes
nothing of its own: it knows the contract (schemas, document, examples) and what follows from it. A service
that passes speaks the language; that its numbers are right is for the service's own tests.

`ballgauge.contract.compatibility` tells what an OpenAPI document breaks of an older one.
"""
