"""Rate and share of each mechanism in the trade's cases: the figure expected and what the simulated bench gives.

python reports/trade_table.py
"""

from __future__ import annotations

from bench.simboard.trade import CASES, behaviour


def main() -> None:
    print("Rate per minute / percent on: the trade's figure -> the simulated bench's (difference of rates)\n")
    for case in CASES:
        print(case.title)
        for kind, (rate, on) in case.expected.items():
            found = behaviour(kind, case)
            if rate is None or found.rate_per_min is None:
                print(f"  {kind:4} {'steady' if rate is None else rate:>6} -> {'steady' if found.lit else found.rate_per_min}")
            else:
                error = found.rate_per_min / rate - 1.0
                print(f"  {kind:4} {rate:4.0f}/{on:2.0f} -> {found.rate_per_min:5.1f}/{found.on_percent:4.1f}  ({error:+.1%})")


if __name__ == "__main__":
    main()
