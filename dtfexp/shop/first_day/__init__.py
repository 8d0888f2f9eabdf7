"""The first day of a new bench: a checklist, and questions that make the session file.

A person can go back, ask for an explanation, review everything before it is written, and stop at
any time: the answers are kept in a draft beside the session file.
"""

from dtfexp.shop.first_day.dialogue import CHECKLIST as CHECKLIST
from dtfexp.shop.first_day.dialogue import new_session as new_session
