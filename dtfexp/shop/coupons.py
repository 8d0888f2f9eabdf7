"""The commands for coupons; ``cli`` reads their arguments."""

from __future__ import annotations

import os
from argparse import Namespace

from dtfexp.shop.progress import progress


def coupon(args: Namespace) -> None:
    """Write the coupon of each press."""
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


def read(args: Namespace) -> int:
    """Read coupons from pictures; 1 when none could be read."""
    from dtfexp.book.coupons.pictures import read_pictures
    from dtfexp.book.logbook import Logbook
    from dtfexp.show.text.reading_text import picture_lines

    with Logbook.open(args.logbook, by=args.by) as book:
        with progress("reading") as told:
            read = read_pictures(book, args.pictures, washes=args.washes, told=told)
        for one in read:
            for line in picture_lines(one):
                print(line)
    kept = sum(len(one.readings) for one in read)
    if kept:
        print("Proposals are no grades: grade as before, or record what you agree with.")
    return 0 if kept else 1
