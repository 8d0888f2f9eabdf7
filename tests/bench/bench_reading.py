"""How long `dtfexp read` takes: `python -m tests.bench.bench_reading [pictures] [coupons in each]`.

Draws photos of coupons of one logbook on cloth (by default 3 of 12 megapixels with 10 coupons
each), and reads them as the command does, in a process of its own.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from dtfexp import Logbook, Session, plan
from dtfexp.coupon.layout import coupon_layout
from dtfexp.coupon.payload import Label, session_code
from tests.coupon.prints import Damage, printed
from tests.coupon.scenes import CLOTH, Camera, Cloth, Scene, photo

#: Pixels of a photo, and mm of cloth for each coupon.
PIXELS, ROOM = 12e6, (96, 110)


def drawn(code, numbers, rng):
    """Return a photo of the halves to wash of presses ``numbers``."""
    across = int(np.ceil(np.sqrt(len(numbers) * 1.3 * ROOM[1] / ROOM[0])))
    prints = []
    for place, number in enumerate(numbers):
        at = (8 + (place % across) * ROOM[0], 8 + (place // across) * ROOM[1])
        damage = Damage(missing=float(rng.uniform(0, 0.2)), cracks=10, fade=5.0)
        label = Label(code, int(number), "wash")
        prints.append(printed(label, damage, rng, at, float(rng.uniform(-1, 1)))[0])
    rows = -(-len(numbers) // across)
    assert coupon_layout("wash").height < ROOM[1] - 4
    size = (16 + across * ROOM[0], 16 + rows * ROOM[1])
    camera = Camera(pixels=(PIXELS / size[0] / size[1]) ** 0.5, distance=900, exposure=0.7,
                    uneven=(0.2, -0.1, 0.1, 0, 0.1))  # fmt: skip
    return photo(Scene(tuple(prints), size, Cloth(CLOTH["grey"]), camera), rng)


def main(pictures=3, each=10):
    rng = np.random.default_rng(8)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        session = Session.load("data/example_session.toml")
        with Logbook.create(folder / "my.dtfbook", session) as book:
            book.add(plan(session, pictures * each))
            code, numbers = session_code(book.mark), list(book.runs()["press"])
        names = []
        for place in range(pictures):
            names.append(str(folder / f"photo {place + 1}.jpg"))
            some = numbers[place * each : (place + 1) * each]
            Path(names[-1]).write_bytes(drawn(code, some, rng))
        start, before = time.perf_counter(), os.times()
        asked = [
            str(Path(sys.executable).with_name("dtfexp")),
            "read",
            str(folder / "my.dtfbook"),
            *names,
        ]
        done = subprocess.run(asked, capture_output=True, text=True, check=False)
        took, used = time.perf_counter() - start, os.times()
    read = done.stdout.count("\n  Press ") + done.stdout.count("\nPress ")
    print(done.stderr[-600:] if done.returncode else "", end="")
    processor = used.children_user + used.children_system - before[2] - before[3]
    print(
        f"{pictures} pictures, {pictures * each} coupons: {read} read in {took:.1f} s, "
        f"{processor:.1f} s of processor, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )


if __name__ == "__main__":
    main(*(int(one) for one in sys.argv[1:3]))
