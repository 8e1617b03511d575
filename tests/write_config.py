"""Write config/ anew in its canonical form: every setting, explained, in the models' order.

The profiles' own values are kept; what a file does not set gets the model's default. A test calls
`canonical_texts` to see that nothing in config/ is stale.
"""

from __future__ import annotations

import json
from pathlib import Path

from fairtake.errors import ProfileInvalid, SettingsInvalid
from fairtake.notice import Notice
from fairtake.profile import Profile
from fairtake.receipt import Reason, Receipt
from fairtake.service_settings import ServiceSettings
from fairtake.typed_file import read_settings, settings_text

CONFIG = Path(__file__).parents[1] / "config"
SERVICE_HEADING = "The settings of the service. Times are in seconds."
PROFILE_HEADING = """Profile '{}'. Levels in dB, times as the names say.
The place of delivery's own current requirements decide: check them before you deliver."""


def canonical_texts() -> dict[Path, str]:
    """What each file of config/ should hold."""
    service = CONFIG / "fairtake.toml"
    texts = {
        service: settings_text(
            read_settings(service, ServiceSettings, SettingsInvalid), SERVICE_HEADING
        )
    }
    for path in sorted((CONFIG / "profiles").glob("*.toml")):
        profile = read_settings(path, Profile, ProfileInvalid)
        texts[path] = settings_text(profile, PROFILE_HEADING.format(path.stem))
    for model in (Receipt, Reason, Notice):
        schema = json.dumps(model.model_json_schema(), indent=2) + "\n"
        texts[CONFIG / "schemas" / f"{model.__name__.lower()}.schema.json"] = schema
    return texts


if __name__ == "__main__":
    for path, text in canonical_texts().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
        print(f"wrote {path.relative_to(CONFIG.parent)}")
