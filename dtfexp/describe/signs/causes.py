"""The causes of what goes wrong, with their checks and remedies.

All of it is common practice on transfer benches, no published source.
"""

from __future__ import annotations

from dtfexp.describe.signs.sign import Cause

_SAME = "with everything else the same."
_LAST_GOOD = "Compare: press the last good lot or garment at today's settings."

CAUSES = (
    # --- print ---
    Cause(
        "nozzles", "nozzles not printing, not heat",
        "Look: print a nozzle check. Compare it with the last good one.",
        "Clean the print head and shake the white ink; settings of oven and press stay.",
        f"Clean, print one with a full nozzle check and press it {_SAME}",
    ),
    Cause(
        "much ink", "too much ink",
        "Look at the wet film: does the ink stand in puddles? Compare the ink setting with the "
        "last good job.",
        "Print with less ink, the white first.",
        f"Print one with less ink and press it {_SAME}",
        moves=(("ink", -1),),
        counts_as=("print", "high"),
    ),
    Cause(
        "dust", "dust or lint on film or garment",
        "Look at the film against the light, before the powder and after it; roll the garment "
        "with a lint roller.",
        "Wipe printer and film path, cover the film, roll the garment before it is pressed.",
        f"Clean film path and garment, and press one {_SAME}",
    ),
    # --- powder ---
    Cause(
        "powder left", "powder left on the film",
        "Look: hold the powdered film against the light, before the cure: loose powder round the "
        "image?",
        "Shake and flick harder; on humid days 1 s of heat before shaking. A longer press helps "
        "only partly.",
        f"Shake one powdered film twice as long and press it {_SAME}",
    ),
    Cause(
        "static", "damp or static film holds powder outside the image",
        "Look: hold the powdered film against the light. Measure the humidity: very dry air "
        "charges the film, damp air makes it cling.",
        "Shake and flick, 1 s of heat before shaking, a drier room on damp days; brush the film "
        "before the cure.",
        f"Warm one film 1 s before shaking, brush it and press it {_SAME}",
    ),
    Cause(
        "no powder", "no powder on the ink",
        "Look at the film after powdering: is there powder on all of the ink?",
        "Powder within 2 h of printing, while the ink is wet: the powder is the glue.",
        f"Print, powder at once, and press one {_SAME}",
        moves=(("powder", 1),),
        counts_as=("print", "low"),
    ),
    Cause(
        "late powder", "powdered too late, the ink too dry to hold it",
        "Look at the film against the light after powdering; ask how long after printing it was "
        "powdered.",
        "Powder at once after the print, within 2 h at the latest; fresh powder.",
        f"Print, powder at once, and press one {_SAME}",
    ),
    Cause(
        "bad powder", "uneven or bad powder",
        "Look for bare patches after powdering, and at the lot: lumpy, damp, older than 6 months? "
        "Compare with a fresh packet.",
        "Powder evenly; change to a fresh lot.",
        f"Powder one film from a fresh packet and press it {_SAME}",
    ),
    Cause(
        "little powder", "too little powder",
        "Measure: weigh a film before and after powdering. Compare it with a good one.",
        "More powder, evenly, on all of the ink.",
        f"Powder one film fully and evenly, and press it {_SAME}",
        moves=(("powder", 1),),
        counts_as=("print", "low"),
    ),
    Cause(
        "much powder", "too much or too coarse powder",
        "Look at the grain of the powder. Measure: weigh a film before and after powdering. "
        "Compare it with a good one.",
        "Less powder, or a finer grade; a finish press makes the hand better.",
        f"Shake one film longer, or use a finer powder, and press it {_SAME}",
        moves=(("powder", -1), ("finish", 1)),
        counts_as=("print", "high"),
    ),
    # --- cure ---
    Cause(
        "cure low", "under-cured",
        "Look at the powder side before pressing: grainy or dull? Measure the warm oven bed: is "
        "it below its display? Compare with kept film of a good load.",
        "Cure hotter or longer.",
        f"Cure one film on until it is glossy, and press it {_SAME}",
        moves=(("cure temperature", 1), ("cure time", 1), ("cure speed", -1)),
        otherwise="Cure longer if that is allowed, measure the oven bed and use its warm middle, "
        "smaller loads, or a powder that melts lower.",
        stage="cure", side="low",
    ),
    Cause(
        "cure high", "over-cured",
        "Look at the powder side before pressing: browned, blistered or oily? Measure the warm "
        "oven bed: is it above its display?",
        "Cure cooler or shorter; a cold peel saves some.",
        f"Take one film out of the oven as soon as it is glossy, and press it {_SAME}",
        moves=(("cure temperature", -1), ("cure time", -1), ("cure speed", 1)),
        otherwise="A cold peel saves some; measure the oven bed for hot spots.",
        stage="cure", side="high",
    ),
    Cause(
        "solvents", "solvents not driven off in the cure",
        "Look: wipe the cured film with a clean cloth: does it stay clean? Measure the humidity "
        "of the room.",
        "Cure longer at moderate heat, with less ink; dry the room.",
        f"Cure one film longer at the same heat until a wipe stays clean, and press it {_SAME}",
        moves=(("cure time", 1), ("cure speed", -1), ("ink", -1)),
        otherwise="Less ink, a drier room and more exhaust.",
        counts_as=("cure", "low"),
    ),
    Cause(
        "oven uneven", "an uneven oven bed",
        "Look: is it always the same place of the load? Measure the oven bed at nine points.",
        "Turn the film half way through the cure; keep to the even part of the bed.",
        f"Cure one film in the middle of the bed and press it {_SAME}",
    ),
    Cause(
        "no rest", "pressed straight after the cure",
        "Look: watch one: how long does the film lie between cure and press?",
        "Let the film rest 5 to 10 s after the cure.",
        f"Let one film rest 10 s after the cure and press it {_SAME}",
        moves=(("rest", 1),),
    ),
    # --- press and peel ---
    Cause(
        "moisture", "moisture in film or garment",
        "Look: feel film and garment: damp, or cold from storage? Measure the humidity.",
        "Warm the film 1 s before powdering; pre-press the garment 5 to 8 s.",
        f"Pre-press one garment 8 s, and press it {_SAME}",
        moves=(("pre-press", 1),),
    ),
    Cause(
        "press low", "pressed too cool or too short",
        "Look: is it on all of the print or at one corner? Measure the warm platen at nine "
        "points: is it below its display? Compare with the last good garment.",
        "Press hotter or longer, inside the fabric's limit.",
        f"Let the press warm up fully, keep seams off the pad, and press one {_SAME}",
        moves=(("press temperature", 1), ("press time", 1), ("press speed", -1), ("pressure", 1)),
        otherwise="Measure the platen at nine points: a map may show that there is room, or where "
        "it is cold. Longer if that is allowed, more pressure if the fabric bears it, a powder "
        "that melts lower, or another method for this fabric.",
        stage="press", side="low",
    ),
    Cause(
        "press high", "pressed too hot or too long",
        "Look at the care label: what does the fabric bear? Measure the warm platen at nine "
        "points: is it above its display?",
        "Press cooler or shorter.",
        f"Let the platen fall back to what is set, check it with a probe, and press one {_SAME}",
        moves=(("press temperature", -1), ("press time", -1), ("press speed", 1)),
        otherwise="Measure the platen for hot spots; use a cover sheet.",
        stage="press", side="high",
    ),
    Cause(
        "pressure high", "too much pressure",
        "Look at edges and cloth: is white ink pushed out, is the pile crushed? Measure: does a "
        "strip of paper pull out of the closed press at all corners alike?",
        "Less pressure: medium on black and on anything but cotton; a cover sheet.",
        f"Press one with less pressure {_SAME}",
        moves=(("pressure", -1),),
        otherwise="A cover sheet and a soft pad take pressure off the edges.",
        counts_as=("press", "high"),
    ),
    Cause(
        "platen uneven", "uneven platen or worn pad",
        "Look: is it always the same corner? Does a seam or zip lie under the platen? Measure the "
        "platen at nine points, and pull paper strips at four corners.",
        "Level the press, change the pad, keep seams and zips off the pad.",
        f"Turn one garment by half a turn on the pad and press it {_SAME}",
    ),
    Cause(
        "no cover", "no cover sheet",
        "Look: was there a clean cover sheet over film and cloth? Look up what the garment bears.",
        "Use a clean cover sheet larger than the film; cooler on cloth that softens.",
        f"Press one under a clean cover sheet {_SAME}",
    ),
    Cause(
        "shifted", "film or garment moved in the press",
        "Look: watch the press open and close: does film or cloth cling and lift?",
        "Fix the film with heat tape, open slowly, keep the cloth flat.",
        f"Tape one film down, open slowly, and press it {_SAME}",
    ),
    Cause(
        "peeled early", "peeled at once or too fast",
        "Look: watch one peel: waited at least 3 s? Slow, rolling, film close to the cloth?",
        "Wait at least 3 s, then roll slowly.",
        "Press one the same, wait 10 s, and peel it slowly.",
        moves=(("peel wait", 1), ("peel warmth", -1)),
        stage="peel", side="low",
    ),
    Cause(
        "peel warmth", "peeled at the wrong warmth for this film",
        "Look up the film maker's peel type: hot, warm or cold? Compare with the last good lot of "
        "film.",
        "Peel as the film's maker says; unknown: try cold, then warm.",
        "Press one the same and peel it fully cold.",
        moves=(("peel warmth", -1), ("peel warmth", 1), ("peel wait", 1)),
    ),
    Cause(
        "finish", "finish press missing or another finish",
        "Look: was it pressed again after the peel, and under what? Compare with a good garment.",
        "Finish: press again 5 to 8 s under cloth or silicone-coated paper, inside the fabric's "
        "limit.",
        "Press one the same and finish it 8 s under cloth.",
        moves=(("finish", 1),),
    ),
    Cause(
        "dye", "dye migrating from the garment",
        "Look at the label: polyester or a blend, a strong colour? Compare: press a white solid "
        "on this garment and keep it warm and stacked for a day or two.",
        "Cooler and shorter, a powder that melts lower, a blocking underbase; more heat never "
        "helps.",
        f"Press one on a white garment of the same kind {_SAME}",
        moves=(("press temperature", -1), ("press time", -1), ("press speed", 1)),
        otherwise="A powder that melts lower, a blocking underbase, or another method for this "
        "garment.",
        counts_as=("press", "high"),
    ),
    # --- wash, use, another day ---
    Cause(
        "washed early", "washed within a day of pressing",
        "Look up when it was pressed and when it was washed.",
        "Wait a day before the first wash, and say so to the customer.",
        "Press one the same and wash it after a full day.",
    ),
    Cause(
        "washed hard", "washed hotter or harder than the label says",
        "Ask how it was washed: heat, bleach, softener, inside out? Compare: wash a kept one as "
        "the label says.",
        "Give the customer care advice: cool, inside out, no bleach, no hot dryer.",
        "Press one the same and wash it as the label says.",
    ),
    Cause(
        "stretch", "stretched further than the print bears",
        "Look: stretch an unwashed one by hand: does it crack at once?",
        "Less solid area, a thinner print or a stretch powder on such cloth.",
        f"Press one broken up into smaller areas {_SAME}",
    ),
    Cause(
        "another lot", "another lot of film, powder or ink",
        f"Look up the lots in use and since when. {_LAST_GOOD}",
        "Go back to the last good lot, or dial in again for the new one.",
        "Press one at today's settings with the last lot that was good.",
    ),
    Cause(
        "another hand", "another operator, another habit",
        "Look: watch one garment from powder to peel, beside someone whose prints hold. "
        "Compare two garments, one of each.",
        "Agree on shaking, waiting and peeling; write it on the card.",
        "Let the one whose prints hold press one at today's settings.",
    ),
    Cause(
        "changed", "something else has changed",
        "Look: what is not as on a good day: humidity, room, powder lot, film lot, operator? "
        f"{_LAST_GOOD} Measure the platen.",
        "Change back one thing at a time; write it down, and check the window again with the "
        "earlier presses.",
        "Press one at today's settings with the last lot and garment that were good.",
    ),
)  # fmt: skip
