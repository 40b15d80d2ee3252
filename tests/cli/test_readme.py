"""The README's transcript is what the command prints (`make readme` renews it); documents are complete."""

from pathlib import Path

from toprung.cli.main import COMMANDS
from toprung.model.causes import CAUSES
from toprung.model.site_schema import json_schema

ROOT = Path(__file__).parents[2]


def test_the_transcript_shows_the_ladder_as_printed(toprung, site_path, captures):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    _, out, _ = toprung("read", site_path, *captures)
    ladder = [line for line in out.splitlines() if "●" in line]
    assert len(ladder) == 7
    for line in ladder:
        assert line in readme


def test_the_readme_names_every_command():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in COMMANDS:
        assert f"toprung {command.__name__.rpartition('.')[2]}" in readme


def test_the_output_document_names_every_cause():
    text = (ROOT / "docs" / "output.md").read_text(encoding="utf-8")
    for code, (rung, meaning) in CAUSES.items():
        assert f"| `{code}` | {rung} | {meaning} |" in text


def test_the_site_document_names_every_key():
    text = (ROOT / "docs" / "site.md").read_text(encoding="utf-8")
    schema = json_schema()
    keys = {key for part in (schema, *schema["$defs"].values()) for key in part.get("properties", {})}
    keys -= {"kind", "lease", "strength", "scope", "coherent", "ordered", "depth"}  # within policies
    keys -= {"samples", "instances", "samples_per_instance", "mode"}
    assert {
        key for key in keys if f"`{key}`" not in text and f"`{key}: " not in text and f"{{{key}: " not in text
    } == set()
