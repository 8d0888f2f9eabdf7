"""Signs seen in the wash, in use and on another day; and what is no fault.

Signs, causes and advice are common practice on transfer benches, no published source.
"""

from __future__ import annotations

from dtfexp.describe.signs.sign import (
    CURE,
    DAY,
    FINISHED,
    FIRST,
    HINT,
    LATER,
    OFTEN,
    PEEL,
    PLAIN,
    PRINT,
    RARE,
    USE,
    Sign,
)

_ALL = (PRINT, "powder", CURE, PEEL, FINISHED, FIRST, LATER, USE, DAY)
_PRESS_AGAIN = (
    "Dry it, press it again 5 to 8 s under a cover sheet inside the fabric's limit. It still "
    "counts as a failed coupon."
)

SIGNS = (
    Sign(
        "colour goes", "colour lifts or goes in the wash", (FIRST, LATER),
        "colour/ink [layer/print] lift/go/wash/come/lose/rub; hue/colour layer [lift/go/come]; "
        "colour wash [off/out]; ink wash; print lose colour; top layer lift/go/come",
        {"cure low": PLAIN, "solvents": HINT, "press low": HINT, "changed": RARE},
        now="It cannot be put right. Look at the powder side of kept film of the same load.",
        chips=("wash",),
    ),
    Sign(
        "wash bubbles", "bubbles after the wash", (FIRST, LATER),
        "@ bubble [print/large/area/small/solid]",
        {"cure low": PLAIN, "moisture": HINT, "press low": HINT},
        chips=("wash",),
    ),
    Sign(
        "wash lifts", "print lifts or shrinks at the first wash", (FIRST, LATER),
        "@ [part] print/part shrink/lift/come [shrink/lift/part]; @ lift/shrink [print]; shrink; "
        "[whole/part] print come/go/fall [away]; print loosen; print/part peel [cloth]; peel; "
        "print shrink lift; @ peel [print]; delaminate; detach; @ print release/part",
        {"press low": PLAIN, "cure low": OFTEN, "washed early": OFTEN, "bad powder": HINT},
        now=_PRESS_AGAIN,
        chips=("wash",),
    ),
    Sign(
        "edges", "lifting at an edge", (FIRST, LATER, USE),
        "[print] edge lift/peel/come/curl/loose [print]; @ corner/letter/detail "
        "lift/peel/come/curl [small/edge]",
        {"press low": PLAIN, "washed early": OFTEN, "finish": OFTEN, "cure low": HINT,
         "platen uneven": HINT},
        now=_PRESS_AGAIN,
        chips=("wash",),
    ),
    Sign(
        "cracks", "cracking", (FINISHED, FIRST, LATER, USE),
        "[print/ink/white/clear] crack [print]; fine crack; print split/break; crackle; [print] "
        "flake",
        {"cure low": PLAIN, "little powder": OFTEN, "stretch": OFTEN, "cure high": HINT,
         "press low": HINT},
        now="Cracks do not close again. Keep the garment, and compare it with kept film of its "
        "load.",
        chips=("wash",),
    ),
    Sign(
        "stretch cracks", "cracks only when stretched", (FINISHED, USE, LATER),
        "crack [only] stretch [print]; print break stretch; stretch crack; not stretch; print "
        "[not] stretch",
        {"stretch": PLAIN, "cure low": OFTEN, "little powder": OFTEN},
    ),
    Sign(
        "fades", "fading", (FIRST, LATER, USE),
        "[colour/print/clear/white/ink] fade [print/colour]; colour/print pale",
        {"cure low": PLAIN, "washed hard": OFTEN, "nozzles": RARE},
        chips=("wash",),
    ),
    Sign(
        "washed hard", "washed hotter or harder than the label says", (FIRST, LATER, USE),
        "wash [too] hot/hard/harsh/high; bleach; iron [print]; tumble/dry/dryer [hot/tumble]; "
        "fabric softener; softener; boil wash; dry clean",
        {"washed hard": PLAIN},
    ),
    Sign(
        "washed early", "washed within a day of pressing", (FIRST,),
        "wash [too] early/soon; wash within day; wash same day; wash straight/immediately",
        {"washed early": PLAIN},
    ),
    Sign(
        "rubs", "print rubs off or is tacky in use", (USE, LATER),
        "print/colour/ink rub [off/skin]; sticky wear; print stick self/fold",
        {"cure low": PLAIN, "solvents": OFTEN},
    ),
    Sign(
        "other day", "same settings but another result", (DAY,),
        "different/another/other day; same setting [different/day/result/other]; suddenly "
        "[different/bad/fail]; yesterday good; work yesterday/before; other/different result; "
        "more fail today",
        {"changed": PLAIN, "another lot": OFTEN, "another hand": HINT, "press low": HINT,
         "cure low": HINT, "press high": HINT, "cure high": HINT},
    ),
    Sign(
        "new lot", "since another lot of film or powder", (DAY,),
        "new/another/other/different lot/roll/batch/powder/film/ink/box/bag [film/powder/ink]; "
        "change powder/film/ink/lot",
        {"another lot": PLAIN, "changed": OFTEN},
    ),
    Sign(
        "another hand", "only with another operator", (DAY,),
        "new/another/other/different operator/person/hand/colleague/worker/shift",
        {"another hand": PLAIN, "changed": OFTEN},
    ),
    # What a window's edges are called, on page and card.
    Sign("looks print low", "too little ink or powder", (PRINT,),
         "too little ink/powder [powder/ink]", {"little powder": PLAIN, "nozzles": HINT}),
    Sign("looks print high", "too much ink or powder", (PRINT,),
         "too much ink/powder [powder/ink]", {"much powder": PLAIN, "much ink": PLAIN}),
    Sign("looks cure low", "under-cured", (CURE,),
         "under cure; uncured; not cure [enough]; cure too low/short/cool", {"cure low": PLAIN}),
    Sign("looks cure high", "over-cured", (CURE,),
         "over cure; cure too long/hot/much", {"cure high": PLAIN}),
    Sign("looks press low", "under-pressed", (PEEL,),
         "under press; press too low/short/cool/cold", {"press low": PLAIN}),
    Sign("looks press high", "over-pressed", (PEEL,),
         "over press; press too long/hot", {"press high": PLAIN}),
    Sign("looks peel low", "peeled too early", (PEEL,),
         "peel too early/fast/quick/soon", {"peeled early": PLAIN}),
    Sign("looks peel high", "peeled too late", (PEEL,),
         "peel too late/slow", {"peel warmth": PLAIN}),
    Sign("good", "nothing wrong", _ALL,
         "good [print/fit/sell]; fit sell; close [look/only]; fine; ok; perfect; faultless; "
         "clean [vivid/soft/print]; vivid; soft [hand]; no [slight] change "
         "[print/wash/unwashed/beside]; slight change [look/close/see/only]; release whole "
         "[film/clean]; release clean/smooth; nothing left film; smooth; no "
         "fault/problem/defect; pass; powder/underside [side] shiny/smooth/melt/clear; orange "
         "peel [powder/side/shiny]; shiny powder/underside [side]; nothing wrong; best"),
    Sign("poor", "poor without saying how", _ALL,
         "poor; useless; bad [print]; fail; not good; doubtful; return; complain; change "
         "[see/arm/length/clear]; ugly; spoil; waste"),
)  # fmt: skip
