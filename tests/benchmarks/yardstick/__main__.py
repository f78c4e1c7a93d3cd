"""Print how generated behaviours compare with those written by hand."""

from tests.benchmarks.yardstick.measure import COLUMNS, measured

if __name__ == "__main__":
    for machine in COLUMNS:
        generated, by_hand = measured(machine)
        print(machine)
        for name, one, other in (
            ("program, bytes", generated.flash, by_hand.flash),
            ("memory, bytes", generated.ram, by_hand.ram),
            ("worst step, cycles", generated.cost.most, by_hand.cost.most),
            ("mean step, cycles", generated.cost.mean, by_hand.cost.mean),
        ):
            print(f"  {name:20} generated {one:7.0f}   by hand {other:7.0f}   ratio {one / other:.2f}")
        print(f"  over {generated.cost.steps:,} steps of trials, generated vectors and random inputs")
