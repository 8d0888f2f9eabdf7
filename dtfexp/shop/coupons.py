"""The commands for coupons; ``cli`` reads their arguments."""

from __future__ import annotations

import os
from argparse import Namespace

from dtfexp.shop.progress import progress


def coupon(args: Namespace) -> None:
    """Write the test print of each press."""
    from dtfexp.show.paper.coupon_artwork import coupon_artwork

    with progress("coupons") as told:
        made = coupon_artwork(
            args.logbook, args.out, presses=args.presses or None, fabrics=args.fabrics,
            halves=args.halves, dpi=args.dpi, film_width=args.film_width, mirror=args.mirror,
            progress=told,
        )  # fmt: skip
    shown = [path for path in made.paths if path.suffix == ".pdf" or path.stem == "strip"]
    for path in shown:
        print(path.resolve())
    others = len(made.paths) - len(shown)
    print(f"and {others} more files beside them, in {os.path.abspath(args.out)}")
    for line in made.lines():
        print(line)
