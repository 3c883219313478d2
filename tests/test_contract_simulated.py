"""The contract, section 9: words for hands, of boards that answer `SIMulation:UNIT?`."""

from __future__ import annotations

import numpy as np
import pytest
from contract_bench import Bench, Hands
from contract_description import Loads, current_channel, loop_ohm, one, readings

from bench.description import BoardDescription


def knows_words(hands: Hands | None) -> bool:
    return hands is not None and type(hands) is Hands


def test_words_are_refused_as_others_are(bench: Bench, hands: Hands | None, loads: Loads) -> None:
    lines = (
        ("SIM:UNIT", -109), ("SIM:UNIT no-such-unit", -224), ("SIM:UNIT 12", -224), ("SIM:SUPP 32.1", -222), ("SIM:SUPP -0.1", -222),
        ("SIM:SUPP 10V", -138), (f"SIM:SUPP 12,(@{loads.lacking})", -222), ("SIM:SUPP 12,(@1),3", -108), ("SIM:SUPP 12,", -109),
        ("SIM:AMB 86", -222), ("SIM:AMB -41", -222), ("SIM:RES 0", -222), ("SIM:REST SOON", -224), ("SIM:REST 1", -104),
        ("SIM:WAIT -1", -222), ("SIM:MET? nothing,0,0", -222), ("SIM:MET? v_in,0", -109), ("SIM:MET? v_in,2,0", -222),
    )  # fmt: skip
    for line, number in lines:
        bench.refused(line, number if knows_words(hands) else -113)
    for closed in ("OUTP ON", f"ROUT:CLOS {one(loads.a)}"):
        bench.do(closed)
        for line in ("SIM:UNIT LINK", "SIM:RES 1", "SIM:WAIT 1"):
            bench.refused(line, -221 if knows_words(hands) else -113)
        bench.do("*RST")


def test_what_is_in_the_socket_and_around(bench: Bench, hands: Hands | None) -> None:
    if not knows_words(hands):
        return
    supply = bench.number("SIM:SUPP?")
    for given, name in (("none", "NONE"), ("LINK", "LINK"), ("link", "LINK")):
        bench.do(f"SIM:UNIT {given}")
        assert bench.ask("SIM:UNIT?") == name
    bench.do("SIM:RES 3")
    assert bench.ask("SIM:UNIT?") == "RESISTOR"
    bench.do("SIM:UNIT LINK", "SIM:AMB 5", "SIM:SUPP 11.5", "*RST")
    assert (bench.number("SIM:AMB?"), bench.number("SIM:SUPP?")) == (5, 11.5)
    bench.do("SIM:AMB 24", f"SIM:SUPP {supply}")


@pytest.mark.parametrize("volts", [10.0, 12.8])
def test_the_supply_is_that_at_the_lamps(
    bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads, volts: float
) -> None:
    """What the loop costs two lamps is added before it; idle, the input shows it."""
    if not knows_words(hands):
        return
    bench.do(f"SIM:SUPP {volts},{loads.both}", "INIT", "OUTP ON")
    bench.hold(0.3)
    idle = float(np.mean(list(readings(bench.frames, description, "v_in").values())[-200:]))
    u = description.channels["v_in"].range(0).u_at(volts)
    assert idle == pytest.approx(volts + loop_ohm(description) * loads.amps(volts, loads.a, loads.b), abs=5.0 * u + 0.05)
    bench.do(f"ROUT:CLOS {loads.both}")
    bench.hold(1.0)
    lit = list(readings(bench.frames, description, "v_out").values())[-200:]
    behind_v = 0.3 * loop_ohm(description) * loads.amps(volts, loads.a, loads.b)
    assert float(np.mean(lit)) == pytest.approx(volts + behind_v, abs=5.0 * u + 0.05)
    bench.do("*RST", "SIM:SUPP 12.8")


def test_nothing_in_the_socket_lights_nothing(bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads) -> None:
    if not knows_words(hands):
        return
    bench.do("SIM:UNIT NONE", f"ROUT:CLOS {loads.both}", "INIT", "OUTP ON")
    bench.hold(0.3)
    bench.do("*RST", "SIM:UNIT LINK")
    assert not bench.frames[-1].comparator
    channel = description.channels[current_channel(description)]
    amps = float(np.mean(list(readings(bench.frames, description, channel.name).values())))
    assert abs(amps) < max(0.2, 4.0 * channel.range(0).u_zero)


def test_the_meter_shows_what_is_there(bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads) -> None:
    if not knows_words(hands):
        return
    bench.do(f"ROUT:CLOS {loads.both}", "INIT", "OUTP ON")
    bench.hold(1.5)
    shown = bench.number("SIM:MET? v_in,0,0")
    bench.do("SYST:BEAT")
    read = float(np.mean(list(readings(bench.frames, description, "v_in").values())[-200:]))
    assert shown == pytest.approx(read, abs=5.0 * description.channels["v_in"].range(0).u_at(read) + 0.02)
    assert bench.number("SIM:MET? i_load,0,0") == pytest.approx(loads.amps(shown, loads.a, loads.b), rel=0.1)
    off = bench.number("SIM:MET? v_in,0.01,0.1")
    assert 0.0 < abs(off - shown) < 0.01 * shown + 0.1 + 0.02
    assert bench.number("SIM:MET? v_in,0.01,0.1") == pytest.approx(off, abs=0.01)


def test_lamps_cool_while_no_time_passes(bench: Bench, hands: Hands | None, description: BoardDescription, loads: Loads) -> None:
    if not knows_words(hands):
        return
    inrush = []
    for wait in (0.0, 60.0):
        bench.do("INIT", f"ROUT:CLOS {one(loads.a)}", "OUTP ON")
        bench.hold(1.0)
        bench.do("*RST", f"SIM:WAIT {wait}", "INIT", f"ROUT:CLOS {one(loads.a)}")
        bench.fresh()
        bench.do("OUTP ON")
        bench.hold(0.1)
        inrush.append(max(readings(bench.frames, description, "i_load").values()))
        bench.do("*RST")
    assert inrush[1] > 1.5 * inrush[0]
