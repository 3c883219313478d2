"""What the board's real program does, measured on its simulated microcontroller.

    python reports/firmware_figures.py                      all of it in small: two minutes
    python reports/firmware_figures.py --minutes 10         ten minutes of the fast mode without a lost frame
    python reports/firmware_figures.py --storms 1000        resets, noise and cuts at random moments

Prints: frames and bytes of a long run with a host that asks now and then; what of the processor is to spare and how deep the stack went;
how long a command takes to its reply; silent host, over-current, hang and mishaps; how fast the simulation is. All times are the board's.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

from bench.wire import Decoder, Reply, SampleFrame, Sequencer
from firmware.simulator.port import FirmwarePort
from firmware.simulator.trials import (
    RESETS,
    STATES,
    BareBoard,
    MishapResult,
    measure_hang,
    measure_over_current,
    measure_silent_host,
    try_mishap,
)

CURRENTS = ((0.5, 0.001, 0.9), (2.0, 0.05, 4.0), (10.0, 0.3, 20.0), (40.0, 1.0, 60.0), (75.0, 0.05, 76.0))


def long_run(minutes: float) -> Iterator[str]:
    """The fast mode, loads switched and questions asked all the while."""
    board = BareBoard()
    board.send("INIT", "ROUT:CLOS (@1,2)", "OUTP ON")
    decoder, sequencer, frames, size = Decoder(), Sequencer(), 0, 0
    began = time.perf_counter()
    for second in range(round(minutes * 60)):
        board.send(f"ROUT:{'OPEN' if second % 2 else 'CLOS'} (@3)", "SYST:BOAR:LINE? 21" if second % 3 else "SYST:ERR?")
        board.hold(1.0)
        size += len(board.received)
        for piece in decoder.feed(bytes(board.received)):
            if not isinstance(piece, Reply):
                sequencer.place(piece)
                frames += isinstance(piece, SampleFrame)
        board.received.clear()
    wall = time.perf_counter() - began
    counts = board.avr.counts
    yield f"{minutes:g} minutes in the fast mode: {frames} sample frames, {size / minutes / 60:.0f} bytes a second"
    yield f"  frames missing {sequencer.count.frames_missing}, samples lost {sequencer.count.samples_lost}, damage {decoder.damage}"
    yield f"  conversions missed {counts.conversions_missed}, received bytes lost {counts.bytes_lost}"
    used, asleep, wait = counts.in_interrupts / counts.cycle, counts.asleep / counts.cycle, counts.longest_receiver_wait
    yield f"  interrupts take {100 * used:.1f} % of the time, asleep {100 * asleep:.1f} %"
    yield f"  a received byte waits {wait} clocks at most (more than 320 lose one), an interrupt takes {counts.longest_interrupt} at most"
    yield f"  inputs selected before the converter could take them for the right conversion: {counts.inputs_chosen_early}"
    yield f"  stack: {counts.stack_free} bytes of RAM were never touched"
    yield f"  simulated {minutes * 60 / wall:.1f} times as fast as real time, without physics"


def spare() -> str:
    """How much longer every interrupt may take, as a part of the processor's time, before samples are lost while commands come in."""
    least = 0
    for burden in range(0, 200, 5):
        board = BareBoard()
        board.avr.lengthen_interrupts(burden)
        board.send("INIT")
        board.hold(1.0)
        decoder, sequencer = Decoder(), Sequencer()
        for piece in decoder.feed(bytes(board.received)):
            if not isinstance(piece, Reply):
                sequencer.place(piece)
        counts = board.avr.counts
        if sequencer.count.samples_lost or sequencer.count.frames_missing or counts.conversions_missed:
            break
        least = burden * counts.interrupts / counts.cycle * 100
    how = "every interrupt lengthened until a sample was lost while a command came in"
    return f"spare processor time in the fast mode: {least:.0f} % ({how})"


def replies(count: int) -> Iterator[str]:
    """From the write of a query to the arrival of its reply, in the board's time, sampling fast, with bridge and physics."""
    port = FirmwarePort("firmware://bench-nc-2x21?seed=2")
    port.read(0.05)
    port.write(b"INIT\nROUT:CLOS (@1,2)\nOUTP ON\n")
    port.read(0.1)
    for line in (b"*OPC?", b"SYST:ERR?", b"SYST:BOAR:LINE? 21"):
        took = []
        for _ in range(count):
            port.board.run_until(port.now_s())
            began = port.board.now_s
            port.write(line + b"\n")
            heard, decoder = False, Decoder()
            while not heard:
                port.board.run_until(port.board.now_s + 0.0005)
                data = port.board.uplink.take(port.board.now_s)
                heard = any(isinstance(piece, Reply) for piece in decoder.feed(data))
            took.append(1e3 * (port.board.now_s - began))
            port.read(0.0)
            port.write(b"SYST:BEAT\n")
            port.read(0.03)
        took.sort()
        yield f"{line.decode()}: reply after {statistics.median(took):.1f} ms (median), {took[-1]:.1f} ms at most, of {count}"


def safety(count: int, workers: int) -> Iterator[str]:
    times = {state: measure_silent_host(state) for state in STATES}
    yield f"silent host: everything open after {min(times.values()):.3f} to {max(times.values()):.3f} s in {len(times)} states (asked: 1.1)"
    late = [1e3 * measure_over_current(*case) for case in CURRENTS]
    yield f"over-current: open {min(late):.2f} to {max(late):.2f} ms after the set delay, {len(late)} cases (asked: within 5)"
    hangs = [measure_hang(seed) for seed in range(20)]
    causes = Counter(cause for _, cause in hangs)
    yield f"hang: open after at most {1e3 * max(took for took, _ in hangs):.0f} ms (asked: 300), 20 places; named {dict(causes)}"
    seen: list[MishapResult] = []
    with ProcessPoolExecutor(workers) as pool:
        for number, one in enumerate(pool.map(try_mishap, range(count), chunksize=10), 1):
            seen.append(one)
            if number % 100 == 0:
                print(f"  {number} of {count} mishaps", file=sys.stderr)
    kinds = Counter(one.mishap for one in seen)
    yield f"mishaps: {count} at random moments ({', '.join(f'{n} {kind}' for kind, n in sorted(kinds.items()))})"
    resets = [one for one in seen if one.mishap in RESETS]
    others = [one for one in seen if one not in resets]
    yield f"  closed after a reset for at most {1e3 * max((one.closed_s for one in resets), default=0.0):.2f} ms"
    yield f"  closed after the last good line for at most {max((one.closed_s for one in others), default=0.0):.3f} s (asked: 1.1)"
    wrong, silent = sum(one.wrong != 0 for one in seen), sum(not one.answers for one in seen)
    yield f"  a load closed that nobody chose: {wrong}; does not answer afterwards: {silent}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=0.5, help="length of the long run (default 0.5)")
    parser.add_argument("--storms", type=int, default=40, help="number of mishaps (default 40)")
    parser.add_argument("--replies", type=int, default=40, help="queries of each kind (default 40)")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    for part in (long_run(given.minutes), iter([spare()]), replies(given.replies), safety(given.storms, given.workers)):
        for line in part:
            print(line, flush=True)


if __name__ == "__main__":
    main()
