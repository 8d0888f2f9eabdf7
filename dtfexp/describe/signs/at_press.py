"""Signs seen while peeling and on the finished print.

Signs, causes and advice are common practice on transfer benches, no published source.
"""

from __future__ import annotations

from dtfexp.describe.signs.sign import (
    AGAINST,
    FINISHED,
    HINT,
    OFTEN,
    PEEL,
    PLAIN,
    USE,
    Sign,
)

_STOP = (
    "Stop peeling, lay the film back, press again 5 to 8 s, wait, then peel slowly. It still "
    "counts as a failed coupon."
)
_NO_PEEL = "Let it cool fully and try a cold peel before it is given up."

PEELING = (
    Sign(
        "lifts", "parts lifted with the film", (PEEL,),
        "part/print/half/area/ink/most/piece/bit/much lift/pull/come film; "
        "[large/half/part/area] print/part/half/area lift; "
        "part/print/half/area/most/ink/bit/piece [print] stay/stick film; print/part [print] not "
        "release; transfer/print follow platen/film; print come film; half print lift [peel]; "
        "peel; print peel; print not stick [cloth]; print/part tear; lift film",
        {"press low": PLAIN, "cure low": OFTEN, "bad powder": HINT, "peeled early": HINT,
         "platen uneven": HINT},
        now=_STOP,
        chips=("press",),
    ),
    Sign(
        "letters", "small letters lifted", (PEEL,),
        "[small/fine/thin] letter/corner/detail [small/fine] lift/pull/come/stay/peel [film]; "
        "fine/thin line/detail lift/pull/come; small detail lift; @ edge lift/pull [film]; "
        "[small] letter/corner corner/edge lift; letter/detail not hold/stick",
        {"peeled early": PLAIN, "press low": OFTEN, "bad powder": HINT},
        now="Stop, lay the film back on the corner that lifts, let it cool or press again 5 to 8 "
        "s, then roll slowly. It still counts as a failed coupon.",
        chips=("press",),
    ),
    Sign(
        "patches", "some parts hold and others stay on the film", (PEEL, FINISHED),
        "area/part/place/side [print] hold; other [part/area] stay/tear/lift/come [film]; tear; "
        "patchy/uneven [transfer/print/hold/stick/adhesion]; left/right side [not] hold/lift",
        {"bad powder": PLAIN, "platen uneven": OFTEN, "press low": HINT, "oven uneven": HINT},
        now=_STOP,
    ),
    Sign(
        "same corner", "always the same corner fails", (PEEL, FINISHED),
        "[always] same corner/side/place/spot/half [fail/lift/stay/bad/platen]; one corner/side "
        "always [fail/lift]; corner/side/edge platen cold/cool/low; seam/zip/collar/pocket under "
        "platen/press",
        {"platen uneven": PLAIN, "oven uneven": HINT, "press low": HINT},
        now=_STOP,
    ),
    Sign(
        "nothing", "nothing transfers", (PEEL,),
        "no/not/nothing transfer; nothing stick/hold/release; print stay whole film; not stick "
        "all; all/whole/everything [print] stay film",
        {"no powder": PLAIN, "press low": HINT, "bad powder": HINT},
        now="Look at the back of the film: without powder on it no second press helps.",
    ),
    Sign(
        "separate", "film hard to pull off", (PEEL,),
        "film hard/difficult/tough/tight [separate/pull/remove/release/peel/come]; hard [to] "
        "separate/pull/remove/release/peel [film]; film stick [print/cloth]; film not "
        "separate/release/come/let [go]; film will not separate; film not pull",
        {"press high": PLAIN, "cure high": OFTEN, "peel warmth": HINT},
        now=_NO_PEEL,
        chips=("press",),
    ),
    Sign(
        "drags", "film grips and the print drags", (PEEL,),
        "film/print [slight] drag [print/film/peel]; film grip; [slight] drag; print stretch peel",
        {"peel warmth": PLAIN, "press low": OFTEN, "cure high": OFTEN},
        now="Stop and let it cool: then try cold. Cooled already: warm it again under the press "
        "for 5 s.",
        chips=("press",),
    ),
    Sign(
        "no peel", "no clean hot or warm peel", (PEEL,),
        "no [clean] hot/warm peel; neither hot/warm [peel] warm; not peel [hot/warm/clean/film]; "
        "no clean peel; peel only cold",
        {"cure high": PLAIN, "press high": HINT, "no rest": HINT, "peel warmth": HINT},
        now=_NO_PEEL,
    ),
    Sign(
        "sticky peel", "sticky hot peel with adhesive strings", (PEEL,),
        "sticky [hot/warm] peel; sticky hot; glue/powder/ink string/thread; string glue/peel; "
        "stringy [peel/glue]; glue sticky [hot]; glue pull/stretch; film sticky hot; sticky",
        {"peel warmth": PLAIN, "peeled early": OFTEN, "press high": OFTEN},
        now="Stop, lay the film back, let it cool fully, then peel.",
        chips=("press",),
    ),
    Sign(
        "rest", "long wait before the film lets go", (PEEL,),
        "long wait [before/peel]; slow release/peel [film]; long [time] before/until "
        "peel/release; bubble solid [large/area]",
        {"no rest": PLAIN, "cure high": HINT, "moisture": HINT},
    ),
    Sign(
        "platen sticks", "cloth or print stuck to the platen", (PEEL, FINISHED),
        "cloth/print/ink/film/powder/glue [or/print/cloth] stick platen/press/head; stick "
        "platen; cloth melt [platen]",
        {"no cover": PLAIN, "press high": OFTEN, "powder left": HINT},
        now="Open the press, let go of nothing by force: free the cloth slowly with a heat-proof "
        "tool, gloves on. Clean the platen when it is cold.",
    ),
    Sign(
        "shifted", "ghosting or a double image", (PEEL, FINISHED),
        "ghost [print/image]; double print/edge/letter; shadow [print/edge]; print/film "
        "shift/slip/move; film/print slip/move [press/close/open]",
        {"shifted": PLAIN, "no cover": HINT},
        now="It cannot be put right. Count it as spoiled, not as a failed setting.",
    ),
    Sign(
        "boiled", "ink boiled or shrunk", (PEEL, FINISHED),
        "ink boil/shrink; boil [ink/print]; print shrink; shrink",
        {"press high": PLAIN, "cure high": HINT},
        chips=("press",),
    ),
)  # fmt: skip

FINISH = (
    Sign(
        "bubbles", "bubbles", (PEEL, FINISHED, "cure"),
        "bubble [print/film/ink/large/area/small]; air [pocket] under print; pucker",
        {"moisture": PLAIN, "no rest": OFTEN, "cure low": OFTEN, "cure high": OFTEN},
        chips=("press",),
    ),
    Sign(
        "blister", "big solids blister", (PEEL, FINISHED, "cure"),
        "[large/big] [solid/area/print/ink] blister [large/solid]",
        {"cure high": PLAIN, "press high": HINT, "no rest": HINT},
        now=_NO_PEEL,
        chips=("press",),
    ),
    Sign(
        "haze", "white haze", (PEEL, FINISHED),
        "[white] haze [edge/print/cloth/round/around]; white veil/shadow/film "
        "[print/edge/around]; white powder [left] cloth [edge/print/around]",
        {"powder left": PLAIN, "static": OFTEN, "moisture": OFTEN},
        chips=("press",),
    ),
    Sign(
        "thick", "stiff or thick hand", (FINISHED, USE),
        "stiff [hand/print/feel]; thick [hand/print/feel/heavy]; heavy/hard/plastic/rubber "
        "hand/print/feel; hand stiff/hard",
        {"much powder": PLAIN, "much ink": OFTEN, "powder left": OFTEN, "finish": HINT},
        chips=("press",),
    ),
    Sign(
        "marks", "shine or platen marks", (FINISHED,),
        "[cloth] shiny [cloth/spot/mark/box]; platen/box/press/heat/pressure/square mark "
        "[cloth]; shiny box/mark/frame; box visible; crush pile/nap/fleece; pile/nap/fleece "
        "flat/crush; shiny platen/box mark",
        {"pressure high": PLAIN, "press high": OFTEN, "no cover": OFTEN},
        now="Hold steam over the mark without touching it, brush the pile up; try it on a seam "
        "first.",
        chips=("press",),
    ),
    Sign(
        "film edge", "film edge visible on the cloth", (FINISHED,),
        "film edge/outline/mark [visible/cloth/see/show]; edge film visible/show/mark [cloth]; "
        "frame/rectangle [film] cloth/visible",
        {"pressure high": PLAIN, "powder left": OFTEN, "no cover": OFTEN, "press high": HINT},
        now="Press again 5 s under a cover sheet larger than the film.",
    ),
    Sign(
        "scorch", "cloth scorched or yellowed", (FINISHED,),
        "scorch [cloth/shiny/mark/spot]; [cloth/white] yellowed; cloth [go] yellow/brown/burn; "
        "burn [cloth/mark]; cloth discolour; singe; cloth hard/melt/shrink; cloth scorch or "
        "yellowed; shiny scorch [cloth]",
        {"press high": PLAIN, "pressure high": OFTEN, "platen uneven": HINT, "dye": AGAINST},
        now="Scorched cloth does not come back: count it as spoiled and touch the platen with "
        "nothing until it has been measured.",
        chips=("press",),
    ),
    Sign(
        "dye", "garment's colour in the print", (FINISHED, "first wash", "in use"),
        "dye [cloth/print] migrate/bleed/travel/sublimate/come/gas [print/through/cloth]; "
        "migrate [dye/colour]; sublimate; colour migrate; print/white [print] take colour/dye "
        "[cloth]; colour cloth print; cloth bleed [print/dye/colour]; bleed; white/light [print] "
        "go/become/look hue/grey/tint/stain; cloth colour/dye print/white; white pink/grey; "
        "print stain; hue/pink cast [white/print]; hue/pink/grey tint white",
        {"dye": PLAIN, "press high": OFTEN, "press low": AGAINST, "cure low": AGAINST},
        now="It cannot be undone, and another press makes it worse. Keep it: the colour may go on "
        "travelling for days.",
        chips=("wash",),
    ),
    Sign(
        "squeezed", "white ink pushed out at the edges", (PEEL, FINISHED),
        "white/ink/colour [ink/white/colour] push/squeeze/drive/press [edge/print]; white "
        "edge/out [visible/show]; ink squeeze; squeeze; white [ink] drive/push off",
        {"pressure high": PLAIN, "press high": OFTEN, "cure high": HINT, "press low": AGAINST},
        chips=("press",),
    ),
    Sign(
        "matte", "print dull or matte", (FINISHED, "peel"),
        "print/colour/finish dull; dull; print/finish not shiny/vivid; not shiny; not vivid; "
        "print [too] shiny; shiny print",
        {"finish": PLAIN, "peel warmth": OFTEN},
        now="Press again 5 to 8 s: under cloth or silicone-coated paper for a matte hand.",
    ),
)  # fmt: skip
SIGNS = (*PEELING, *FINISH)
