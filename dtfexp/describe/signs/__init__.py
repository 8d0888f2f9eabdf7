"""The vocabulary of a transfer bench: every visible sign, its causes, checks and remedies.

Form, card, report, sheet, fit, watch and ``diagnose`` all use these words. Words are matched in
``dialin/signs/phrases.py``, causes ranked in ``dialin/monitor/causes.py``.
"""

from dtfexp.describe.signs.causes import CAUSES as CAUSES
from dtfexp.describe.signs.sign import Cause as Cause
from dtfexp.describe.signs.sign import Sign as Sign
from dtfexp.describe.signs.table import SIGNS as SIGNS
from dtfexp.describe.signs.table import cause as cause
from dtfexp.describe.signs.table import chips as chips
from dtfexp.describe.signs.table import phrase as phrase
from dtfexp.describe.signs.table import sign as sign
