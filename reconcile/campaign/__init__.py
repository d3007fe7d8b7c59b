"""What the user gave: read, all of it checked, every fault reported at once, and frozen."""

from reconcile.campaign.blows import HammerLog
from reconcile.campaign.reading import read_campaign
from reconcile.campaign.recording_files import recording_files, recordings_folder
from reconcile.campaign.summary import summary_lines
from reconcile.campaign.template import new_campaign

__all__ = ["HammerLog", "new_campaign", "read_campaign", "recording_files", "recordings_folder", "summary_lines"]
