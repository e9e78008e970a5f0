"""Notices to customers: which step of a utility's schedule is the right one on a day, and its words."""

from rules.notices.data import NoticeStep as NoticeStep
from rules.notices.data import default_steps as default_steps
from rules.notices.local import stated_notices as stated_notices
from rules.notices.local import with_local as with_local
from rules.notices.schedule import Window as Window
from rules.notices.schedule import check as check
from rules.notices.schedule import provenance as provenance
from rules.notices.schedule import scheduled_for as scheduled_for
from rules.notices.schedule import windows as windows
from rules.notices.text import NoticeFacts as NoticeFacts
from rules.notices.text import fill as fill
from rules.rulebook import Addressee as Addressee
from rules.rulebook import Occasion as Occasion
