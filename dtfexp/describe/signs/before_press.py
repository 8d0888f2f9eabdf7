"""Signs seen before the press: on the print, after powdering, after the cure.

Signs, causes and advice are common practice on transfer benches, no published source.
"""

from __future__ import annotations

from dtfexp.describe.signs.sign import AGAINST, CURE, HINT, OFTEN, PLAIN, POWDER, PRINT, RARE, Sign

_NOT_HEAT = {"press low": AGAINST, "press high": AGAINST, "cure low": AGAINST, "cure high": AGAINST}
_CURE_ON = (
    "Before it is pressed: cure this film on until it is melted through and glossy. Pressed "
    "already: keep it as a sample only."
)

SIGNS = (
    Sign(
        "nozzles", "lines of one colour missing", (PRINT,),
        "[hue/yellow/white/thin] line/stripe miss/gap; [hue/yellow/white] miss; miss colour; gap "
        "[hue/yellow/white/colour] line/print/colour; nozzle "
        "[gap/miss/block/clog/drop/line/fail]; [horizontal] band/stripe/streak "
        "[print/hue/white/colour/line]; thin/weak/patchy white [ink/layer/underbase]; white "
        "[ink/layer/underbase] too thin; [print/white] line skip",
        {"nozzles": PLAIN, **_NOT_HEAT},
        now="Do not powder or press it, and judge no coupon printed like this.",
        chips=("press",),
    ),
    Sign(
        "ink bleeds", "ink bleeding into other colours", (PRINT, POWDER),
        "ink/hue/colour bleed/run [together/other/colour/ink]; bleed; ink/print [wet] "
        "smear/smudge/puddle/pool; [print/ink/edge] blur/fuzzy; too much/wet ink",
        {"much ink": PLAIN, "moisture": OFTEN, "solvents": HINT, **_NOT_HEAT},
        now="Print it again: pressing does not bring the edges back.",
    ),
    Sign(
        "halo", "halo of powder outside the image", (POWDER, CURE, "finished"),
        "halo [powder/print/edge]; powder [stick/cling/stay] outside [print]; powder "
        "cling/round/around/between/beside print/edge/letter; stray/loose powder [film/print]; "
        "powder [stay] background; powder stick bare film; static [film/powder]",
        {"static": PLAIN, "powder left": OFTEN, "moisture": HINT},
        now="Brush the loose powder off with a soft dry brush before the cure, at the latest "
        "before pressing.",
    ),
    Sign(
        "bald", "bald spots after powdering", (POWDER,),
        "bald/bare [spot/patch/area/print/ink]; powder [not] hold/stick/patch/miss; "
        "patchy/uneven powder; powder miss [spot/area/patch]; powder not even/everywhere",
        {"late powder": PLAIN, "bad powder": OFTEN, "dust": HINT, "little powder": HINT},
        now="Before the cure, while the ink is wet: powder it again. Later: print it again.",
    ),
    Sign(
        "pinholes", "pinholes", (POWDER, CURE, "finished"),
        "pinhole [print/white]; tiny/small/little hole [print]; pin hole; hole [white/print]",
        {"dust": PLAIN, "late powder": OFTEN, "bad powder": OFTEN},
        chips=("press",),
    ),
    Sign(
        "dust", "dust or lint under the print", (PRINT, POWDER, "finished"),
        "dust [print/film/under/white]; lint [print/film/under]; speck/fluff/hair/dirt/fibre "
        "[print/film/under/ink]",
        {"dust": PLAIN, **_NOT_HEAT},
    ),
    Sign(
        "thin powder", "little powder on the ink", (POWDER,),
        "little/thin/less powder [ink/print/layer]; not enough powder; powder [layer] thin/little",
        {"little powder": PLAIN, "late powder": OFTEN, "bad powder": OFTEN},
        now="Before the cure, while the ink is wet: powder it again.",
    ),
    Sign(
        "coarse", "lumpy or coarse powder", (POWDER,),
        "lump/lumpy/coarse/clump/damp powder; powder lump/clump/cake/coarse/damp/old; old powder",
        {"bad powder": PLAIN, "moisture": HINT},
        now="Do not cure it: sieve or change the powder and powder again.",
    ),
    Sign(
        "no powder", "no powder on the ink", (POWDER,),
        "no powder [ink/print/film]; forgot/miss powder; not powder",
        {"no powder": PLAIN, "late powder": OFTEN},
        now="Do not press it: without powder nothing holds. Ink still wet: powder it now.",
    ),
    Sign(
        "grain", "grainy underside", (CURE,),
        "grain [underside/back/powder/side/film/print/feel]; powder not melt; unmelted powder; "
        "white speck/dot [powder/side/underside]; rough powder/underside; not orange peel; "
        "powder/underside [side] not shiny/smooth/clear/melt; powder/underside [side/look] dull; "
        "dull/grain [film] cure; not shiny; dull; film dull/not shiny",
        {"cure low": PLAIN, "press low": HINT, "oven uneven": HINT, "changed": RARE},
        now=_CURE_ON,
        chips=("press",),
    ),
    Sign(
        "over baked", "film brown or shrunken after the cure", (CURE,),
        "film [go] brown/burn/yellow/yellowed/shrink/wave/wrinkle/curl/warp; powder/underside "
        "[side/go] brown/burn/yellowed; brown; oily shiny; film [too] hot [oven]; film blister; "
        "film melt; shrink",
        {"cure high": PLAIN, "oven uneven": OFTEN},
        now="Try one with a fully cold peel on a test cloth before any garment; browned film is "
        "waste.",
    ),
    Sign(
        "oily", "oily residue on the film", (CURE, "peel", "finished"),
        "oily [residue/film/print/surface/wet]; residue [film/print/oily]; wet "
        "film/surface/print; sticky/wet film/print/ink/surface; sticky; film/print "
        "[stay/feel/still] sticky/wet; sweat",
        {"solvents": PLAIN, "cure low": OFTEN, "much ink": OFTEN},
        now="Before it is pressed: cure it on at moderate heat until a wipe stays clean.",
    ),
    Sign(
        "uneven load", "one side of the oven load differs", (CURE,),
        "one side/half/part/corner film/load/oven [grain/brown/dull/uncured/differ/cure]; uneven "
        "cure; oven uneven; differ side oven/load",
        {"oven uneven": PLAIN, "cure low": OFTEN, "cure high": OFTEN},
        now="Turn the film and cure the pale side on.",
    ),
)  # fmt: skip
