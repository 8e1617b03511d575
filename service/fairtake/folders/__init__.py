"""The folders of a ROOT and a take's way through them. `life` tells it from end to end."""

from fairtake.folders.claim_folder import Claim as Claim
from fairtake.folders.claim_folder import claims as claims
from fairtake.folders.claim_folder import read_claim as read_claim
from fairtake.folders.claim_folder import refresh as refresh
from fairtake.folders.finished import already_finished as already_finished
from fairtake.folders.finished import asked_of as asked_of
from fairtake.folders.finished import drop_duplicate as drop_duplicate
from fairtake.folders.life import begin as begin
from fairtake.folders.life import claim as claim
from fairtake.folders.life import drop_scratch as drop_scratch
from fairtake.folders.life import give_back_attempt as give_back_attempt
from fairtake.folders.life import mark_begun as mark_begun
from fairtake.folders.life import mark_of as mark_of
from fairtake.folders.life import publish as publish
from fairtake.folders.life import quarantine as quarantine
from fairtake.folders.life import recover as recover
from fairtake.folders.life import resume as resume
from fairtake.folders.life import scratch_apart as scratch_apart
from fairtake.folders.life import scratch_of as scratch_of
from fairtake.folders.life import sweep as sweep
from fairtake.folders.life import unclaim as unclaim
from fairtake.folders.places import SETTINGS_FILE as SETTINGS_FILE
from fairtake.folders.places import Root as Root
from fairtake.folders.places import open_root as open_root
from fairtake.folders.quarantine_list import quarantined as quarantined
from fairtake.folders.quarantine_list import requeue as requeue
