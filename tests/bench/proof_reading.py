"""Coupons read from pictures with known truth: `python -m tests.bench.proof_reading 1000 [first]`.

Prints how many codes were read, how near the measures are, and how many refusals are right. With a
third argument, a file: every picture's figures are kept there, a line each, and gone on with;
`python -m tests.bench.proof_reading 0 0 FILE` only prints what it holds.

What a right refusal is. A picture is bad when it was spoilt on purpose: blurred, with glare, cut
off, small, dark, of another session, of a press that is not planned. It is refused rightly when
nothing in it is measured, and each reason that is told leads to what mends it: the reason's own
name (`cases.BAD`). "no code" tells all that can be wrong with a picture at once; it counts as right
for blurred, dark, small, cut off and glare, and is told apart, for it says less. A coupon in a good
picture is refused wrongly whatever the reason, even when too little is left of its codes. Three
shares are told, and each is to be 95 % or more: of bad pictures, those refused rightly; of all
refusals, those that are right; of good coupons, those that are not refused.
"""

import json
import sys
from pathlib import Path

import numpy as np
from skimage.color import deltaE_ciede2000

from dtfexp.book.coupons.picture_file import picture
from dtfexp.coupon.layout import INKS, coupon_layout
from dtfexp.coupon.reading.reading import read
from tests.coupon.cases import BAD, PRESSES, SESSION, drawn_case
from tests.coupon.prints import HELD, LETTER_HELD

#: Reasons that tell everything that may be wrong, and for what they are right.
_ANY = {
    kind: ("no code",) if kind in ("blurred", "dark", "small", "cut off", "glare") else ()
    for kind in BAD
}


def step_of(held, needed, none):
    """The smallest that holds, all larger ones too but for the odd one."""
    sizes = sorted(held)
    good = [held[size] >= needed for size in sizes]
    wrong = [sum(good[:at]) + sum(not g for g in good[at:]) for at in range(len(sizes) + 1)]
    return [*sizes, none][max(at for at, count in enumerate(wrong) if count == min(wrong))]


def row_of(seed, case):
    """Return the figures of one picture."""
    before = {}
    if case.before is not None:
        start = read(picture(case.before), SESSION, PRESSES)
        before = {one.measures.label.text: one.measures for one in start.coupons}
    found = read(picture(case.content), SESSION, PRESSES, before)
    coupons = [one.measures for one in found.coupons]
    labels = {truth.label.text: truth for truth in case.truths}
    row = {
        "seed": seed, "wrong": case.wrong, "cloth": case.cloth, "coupons": len(labels),
        "refused": [[r.label.text if r.label else None, r.reason] for r in found.refused],
        "strange": [one.label.text for one in coupons if one.label.text not in labels],
        "before": case.before is not None, "before read": bool(before), "measured": [],
    }  # fmt: skip
    for one in coupons:
        if one.label.text in labels:
            row["measured"].append(_figures(one, labels[one.label.text]))
    return row


def _figures(one, truth):
    layout = coupon_layout(truth.label.half)
    told = {
        "missing": (one.missing.value, one.missing.sd, 100 * truth.missing),
        "cracked": (one.cracked.value, one.cracked.sd, 100 * truth.cracked),
        "line": (one.line.value, one.line.sd, step_of(truth.lines, HELD, 3.0)),
        "gap": (one.gap.value, one.gap.sd, step_of(truth.gaps, HELD, 3.0)),
        "letters": (one.letters.value, one.letters.sd, step_of(truth.letters, LETTER_HELD, 14.0)),
    }
    if one.halo is not None:
        told["halo"] = (one.halo.value, one.halo.sd, 100 * truth.halo)
    colours = {}
    for name, change in one.colours.items():
        ink = "teal" if name == "solid" else name
        colours[name] = (change.ciede2000.value, change.ciede2000.sd, truth.faded[ink])
        if one.against == "artwork":
            from skimage.color import rgb2lab

            drawn = rgb2lab(np.array(INKS[ink], float)[None, None] / 255)[0, 0]
            colours[name] = (*colours[name][:2], float(deltaE_ciede2000(drawn, truth.lab[ink])))
    sizes = sorted(one_.size for one_ in layout.of_kind("line"))
    return {"code": one.label.text, **told, "colours": colours, "sizes": sizes,
            "quality": dict(one.quality), "against": one.against}  # fmt: skip


def summary(rows):
    good = [row for row in rows if row["wrong"] is None]
    bad = [row for row in rows if row["wrong"] is not None]
    coupons = sum(row["coupons"] for row in good)
    measured = [one for row in good for one in row["measured"]]
    known = sum(1 for row in good for text, _ in row["refused"] if text is not None)
    print(f"{len(rows)} pictures, {len(good)} good with {coupons} coupons, {len(bad)} bad")
    print(f"codes read: {(len(measured) + known) / coupons:.4f} of {coupons}")
    print(f"wrong coupons: {sum(len(row['strange']) for row in rows)}")
    wrongly = sum(len(row["refused"]) for row in good)
    refused = [row for row in bad if not row["measured"] and row["refused"]]
    named = sum(all(why in BAD[row["wrong"]] for _, why in row["refused"]) for row in refused)
    right = sum(
        all(why in (*BAD[row["wrong"]], *_ANY[row["wrong"]]) for _, why in row["refused"])
        for row in refused
    )
    why = [reason for row in good for _, reason in row["refused"]]
    counts = {reason: why.count(reason) for reason in sorted(set(why))}
    print(f"good coupons refused: {wrongly}: {counts}")
    if bad:
        print(f"bad pictures refused rightly: {right / len(bad):.4f} of {len(bad)}")
        print(f"  by the reason's own name: {named / len(bad):.4f}")
        print(f"refusals that are right: {right / (len(refused) + wrongly):.4f}")
    print(f"good coupons not refused: {1 - wrongly / coupons:.4f} of {coupons}")
    for kind in BAD:
        of_kind = [row for row in bad if row["wrong"] == kind]
        reasons = [reason for row in of_kind for _, reason in row["refused"]]
        counts = {reason: reasons.count(reason) for reason in sorted(set(reasons))}
        let = sum(bool(row["measured"]) for row in of_kind)
        print(
            f"  {kind}: {len(of_kind)} pictures, refused as {counts}, measured all the same {let}"
        )
    for name, within in (("missing", 1.5), ("cracked", 1.5), ("halo", 10)):
        _told(name, [one[name] for one in measured if name in one], within)
    colours = {n: v for one in measured[:1] for n, v in one["colours"].items()}
    _told("colour", [v for one in measured for v in one["colours"].values()], 0.8)
    plain = ("black", "grey 25", "grey 50", "grey 75")
    for told, wanted in (("  colours", False), ("  greys", True)):
        some = [v for one in measured for n, v in one["colours"].items() if (n in plain) == wanted]
        _told(told, some, 0.8)
    for against in ("artwork", "before"):
        some = [v for one in measured if one["against"] == against for v in one["colours"].values()]
        _told(f"  {against}", some, 0.8)
    for name in colours:
        _told(f"  {name}", [one["colours"][name] for one in measured], 0.8)
    for name in ("line", "gap", "letters"):
        triples = np.array([one[name] for one in measured])
        same = np.isclose(triples[:, 0], triples[:, 2]).mean()
        print(f"{name}: the same {same:.3f}")
    for cloth in ("white", "grey", "black", "red"):
        some = [one for row in good if row["cloth"] == cloth for one in row["measured"]]
        _told(f"{cloth} missing", [one["missing"] for one in some], 1.5)
        _told(f"{cloth} colour", [v for one in some for v in one["colours"].values()], 0.8)


def _told(name, triples, within):
    if not triples:
        return
    value, sd, truth = np.array(triples).T
    off = value - truth
    print(
        f"{name}: within ±{within}: {(np.abs(off) <= within).mean():.3f} of {len(off)}; "
        f"90 % within {np.quantile(np.abs(off), 0.9):.2f}; mean error {off.mean():+.2f}; "
        f"within 2 sd: {(np.abs(off) <= 2 * sd).mean():.2f}"
    )


def main(count, first=0, kept=None):
    rows = []
    if kept and Path(kept).exists():
        rows = [json.loads(line) for line in Path(kept).read_text().splitlines()]
    have = {row["seed"] for row in rows}
    for seed in range(first, first + count):
        if seed in have:
            continue
        rows.append(row_of(seed, drawn_case(seed, "drawn")))
        if kept:
            with Path(kept).open("a") as file:
                file.write(json.dumps(rows[-1], default=float) + "\n")
    summary(rows)


if __name__ == "__main__":
    main(int(sys.argv[1]), *(int(a) for a in sys.argv[2:3]), *sys.argv[3:4])
