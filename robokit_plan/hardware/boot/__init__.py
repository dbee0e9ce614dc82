"""What the board's firmware and kernel are told, and what a given boot file takes; pure."""

from ._claims import boot_claims, boot_freed
from ._config import parse_boot_config
from ._gpio_words import firmware_states
from ._settings import boot_settings

__all__ = ["boot_claims", "boot_freed", "boot_settings", "firmware_states", "parse_boot_config"]
