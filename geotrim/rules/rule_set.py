"""The rules in force for a site: the state's, good practice, and those of its overlays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from geotrim.errors import RuleError
from geotrim.rules.rule_file import Rule, RuleFile, built_in, is_stricter, routes, tightened


@dataclass(frozen=True, slots=True, eq=False)
class RuleSet:
    """Rules by id, and the files they come from."""

    rules: Mapping[str, Rule]
    files: tuple[RuleFile, ...]

    def of_route(self, route: str, *effects: str) -> list[Rule]:
        """Rules of a route with one of these effects, in the order of their files."""
        return [r for r in self.rules.values() if route in r.routes and r.effect in effects]

    def is_local(self, rule: Rule) -> bool:
        """Whether a rule, or its number, is that of an overlay."""
        return bool(rule.tightened_by) or any(
            file.id == rule.file_id and file.kind == "overlay" for file in self.files
        )

    def file(self, file_id: str) -> RuleFile:
        """A file by its id."""
        return next(file for file in self.files if file.id == file_id)

    def closes(self, rule: Rule, route: str) -> bool:
        """Whether a rule that is not met closes a route, or only makes it depend.

        A local rule closes permits. Whether it can take an exemption of the act away is for the
        local government to say (s. 403.9324 F.S.: it may not, from memory), so there it asks for a
        check.
        """
        if rule.effect == "check":
            return False
        return not self.is_local(rule) or routes()[route]["kind"] == "permit"


def rule_set(overlays: Iterable[RuleFile] = (), base: Iterable[RuleFile] | None = None) -> RuleSet:
    """The rules in force: of several overlays that tighten one rule, the strictest number.

    Parameters
    ----------
    overlays : iterable of RuleFile
        Local files, as :func:`geotrim.rules.rule_file.read_overlay` gives them.
    base : iterable of RuleFile, optional
        What they are laid over; geotrim's own by default.

    Raises
    ------
    RuleError
        If two files have one id.
    """
    files = [*(built_in() if base is None else base)]
    rules = {rule.id: rule for file in files for rule in file.rules.values()}
    for overlay in overlays:
        if any(overlay.id == file.id for file in files):
            raise RuleError(
                f"rule file {overlay.title!r}",
                f"the id {overlay.id!r}, which another rule file has",
                "an id of its own",
                "rename one, or use it once",
            )
        for name, table in overlay.tightenings.items():
            own = rules[name]
            first = own if own.tightens is None else _untightened(own)
            new = tightened(first, table, overlay.id, f"{overlay.id}, [tighten.{name}]")
            if is_stricter(own.limit, own.effect, new.limit.compare, new.limit.number):
                rules[name] = new
        rules |= {
            f"{overlay.id}:{name}": _named(rule, overlay) for name, rule in overlay.rules.items()
        }
        files.append(overlay)
    return RuleSet(rules, tuple(files))


def _untightened(rule: Rule) -> Rule:
    """The rule at the limit it stood at before an overlay."""
    return replace(rule, limit=rule.tightens or rule.limit, tightens=None, tightened_by="")


def _named(rule: Rule, overlay: RuleFile) -> Rule:
    """A rule of an overlay under a name no other file can have."""
    return replace(rule, id=f"{overlay.id}:{rule.id}")
