"""The steps of the first day of a bench, in order."""

from __future__ import annotations

from dtfexp.show.text.cautions import SHORT_CAUTIONS

CHECKLIST: tuple[str, ...] = (
    *SHORT_CAUTIONS[:2],
    "Read the care label of every fabric. Iron dots (ISO 3758, from memory): one 110 °C (230 °F), "
    "two 150 °C (302 °F), three 200 °C (392 °F). Common powders bond from about 130 °C (266 °F) "
    "on: one dot needs a powder that melts lower, or another method. Ask the makers too.",
    "Ask the film's maker whether it is peeled hot, warm or cold.",
    "Switch oven and heat press on; wait 10 min or more.",
    "Measure the warm platen and the warm oven bed at nine points, with a contact probe, or an "
    "infrared gun on a matte pad. Write down the display, the coldest and the hottest.",
    "Look at the filters of exhaust and oven.",
    "Print the nozzle pattern: no gaps, white too.",
    "Write down the lots of film, powder and ink, and when the powder was opened.",
    "Write down room temperature and humidity.",
    "Press one print with the settings you run today. It is your starting point.",
)
