"""A site file's text -> Site, or every fault in it at once.

No file is read here; `name` only stands in the messages.
"""

from __future__ import annotations

import types
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import ValidationError

from toprung.model.site import Site
from toprung.model.site_build import build
from toprung.model.site_changes import Change, changed
from toprung.model.site_faults import Fault, Path, nearest, raise_all
from toprung.model.site_fleets import spread
from toprung.model.site_references import reference_faults
from toprung.model.site_schema import Entry, SiteEntry
from toprung.model.site_yaml import Tree, read_tree
from toprung.model.units import shortened

_KINDS = {
    "string_type": ("text", "a word"),
    "int_type": ("a whole number", "a number like 7"),
    "bool_type": ("true or false", "true or false"),
    "list_type": ("a list", "a list like [driver, pilot]"),
    "dict_type": ("names with their entries", "an indented block of `name: ...`"),
    "model_type": ("an entry with keys", "an indented block of `key: value`"),
    "model_attributes_type": ("an entry with keys", "an indented block of `key: value`"),
}


def load_site(text: str | bytes, name: str = "site.yaml", changes: Sequence[Change] = ()) -> Site:
    """The site that the text describes, with these changes.  Raises SiteError with a line for each fault."""
    tree = read_tree(text, name)
    if not isinstance(tree.data, dict):
        raise_all(name, [Fault((), "this is no site file", "a first line like `site: fernhouse`", 1)], tree)
    if changes:
        tree = replace(tree, data=changed(tree.data, changes))
    tree = spread(tree)
    faults = [*tree.faults, *reference_faults(tree.data)]
    try:
        entry = SiteEntry.model_validate(tree.data)
    except ValidationError as error:
        raise_all(name, [*faults, *_schema_faults(error, tree)], tree)
    if faults:
        raise_all(name, faults, tree)
    return build(entry)


def _schema_faults(error: ValidationError, tree: Tree) -> Iterator[Fault]:
    for detail in error.errors(include_url=False):
        path = _clean(detail["loc"], tree)
        context = detail.get("ctx", {})
        given = detail["input"]
        match detail["type"]:
            case "site":
                yield Fault(path, context["says"], context["right"])
            case "extra_forbidden":
                right = nearest(str(path[-1]), _keys_at(path[:-1]), limit=20)
                yield Fault(path, "unknown key", right)
            case "missing":
                key = detail["loc"][-1]
                yield Fault(path, f'"{key}" is missing', f"`{key}: ...`")
            case "enum" | "literal_error":
                words = context["expected"].replace("'", "").replace(" or ", ", ").split(", ")
                yield Fault(
                    path,
                    f'"{shortened(str(given))}" is none of {", ".join(words)}',
                    nearest(str(given), words),
                )
            case kind if kind in _KINDS:
                what, right = _KINDS[kind]
                yield Fault(path, f"{what} must stand here, not {_seen(given)}", right)
            case "invalid_key":
                yield Fault(path, "a name is needed here", "a word")
            case _:
                yield Fault(path, f"{_seen(given)} is out of bounds", _range(context))


def _range(context: dict[str, Any]) -> str:
    words = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
    bounds = [f"{word} {context[key]}" for key, word in words.items() if key in context]
    if "min_length" in context:
        bounds.append(f"at least {context['min_length']} entries")
    return ", ".join(bounds) or "another value"


def _seen(given: object) -> str:
    match given:
        case dict():
            return "a block of keys"
        case list():
            return f"a list of {len(given)}"
        case None:
            return "nothing"
        case _:
            return f'"{shortened(str(given))}"'


def _clean(loc: tuple[int | str, ...], tree: Tree) -> Path:
    """Pydantic's place as the file has it: without the keys and indices that a short form leaves out."""
    path: Path = ()
    for step in loc:
        if (*path, step) in tree.lines:
            path = (*path, step)
    return path


def _keys_at(path: Path) -> list[str]:
    """The keys that the schema knows at a place."""
    here: Any = SiteEntry
    for step in path:
        here = _below(here, step)
    if not (isinstance(here, type) and issubclass(here, Entry)):
        return []
    return [field.alias or key for key, field in here.model_fields.items()]


def _below(kind: Any, step: str | int) -> Any:
    if isinstance(kind, type) and issubclass(kind, Entry):
        fields = {f.alias or key: f for key, f in kind.model_fields.items()}
        return _bare(fields[str(step)].annotation) if str(step) in fields else None
    if get_origin(kind) in (dict, list):
        return _bare(get_args(kind)[-1])
    return None


def _bare(kind: Any) -> Any:
    """The type without None and annotations."""
    while get_origin(kind) in (Annotated, Union, types.UnionType):
        kind = next(a for a in get_args(kind) if a is not types.NoneType)
    return kind
