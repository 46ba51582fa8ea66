"""Slips of the pen, each marked where it is: a type checker sees every one, before anything is run."""

import ballgauge
from ballgauge.types import CheckRequest, LotRequest


def asked(client: ballgauge.Client) -> None:
    client.check({"ball": {"wieght": 15.2}})  # slip
    client.check({"ball": {"weight": 15.2}, "rules": {"body": "ucsb"}})  # slip
    client.check({"ball": {"weight": [15.2]}})  # slip
    client.check({"weight": 15.2})  # slip
    client.check({"rules": {"body": "usbc"}})  # slip
    client.check({"ball": {}, "drilling": {"hand": "right", "holes": {"role": "thumb"}}})  # slip
    client.check(request={"ball": {}}, details="brief")  # slip
    client.check({"ball": {}}, detail="breif")  # slip
    client.check_many([{"ball": {"weight": 15}}], error="collect")  # slip
    client.drill({"ball": {"diameter": 8.58}})  # slip
    client.assess_lot(42)  # slip
    client.assess_lot("lot.csv", {"sampling": {"lotsize": 1000}})  # slip
    client.design({"design": {"diameter": 8.58, "solids": [{"shape": "shpere", "density": 1.2}]}})  # slip
    client.motion({"lane": {}, "bowler": "mathced_one_handed"})  # slip
    client.print_record("record", "lable")  # slip
    client.rulebooks("ubsc")  # slip
    client.with_options(time_out=3)  # slip
    held: CheckRequest = {"ball": {"differental": 0.05}}  # slip
    options: LotRequest = {"scope": "messured"}  # slip
    print(held, options)


def answered(client: ballgauge.Client) -> None:
    result = client.check({"ball": {"weight": 15}})
    balance = result.derived.balance
    assert balance is not None
    assert balance.predicted is not None
    print(balance.predicted.sdie)  # slip
    print(result.outcome == "conformimg")  # slip
    print(result.findings[0].limt)  # slip
    result.outcome = "conforming"  # slip
    assert result.derived.ball is not None
    print(result.derived.ball.mas)  # slip
    print(client.check({"ball": {}}, detail="brief").findings)  # slip
    print(result.missing[0].feild)  # slip
    print(client.verify("record").state == "geniune")  # slip
    print(client.public_keys().keys[0].kidd)  # slip
    lot = client.assess_lot("lot.csv")
    print(lot.acceptance.plan_outcom)  # slip
    print(lot.worst_balls[0].seriall)  # slip


async def awaited(client: ballgauge.AsyncClient) -> None:
    print((await client.check({"ball": {"rg": 2.5}})).outcom)  # slip
    print(client.drill({"ball": {"weight": 15}, "drilling": {"hand": "right"}}).derived)  # slip
    async for result in client.check_many([{"ball": {"wight": 15}}]):  # slip
        print(result.outcome)
