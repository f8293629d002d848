"""The end of a statement: what was assumed, cautions, words, rule files and versions."""

from __future__ import annotations

from collections.abc import Container, Iterator

import geotrim
from geotrim.model import Site
from geotrim.ops.catalogue import CAUTIONS
from geotrim.report import facts
from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Cell,
    Heading,
    Paragraph,
    Table,
    cell,
    line,
    row,
    small,
    strong,
)
from geotrim.report.summary import grouped
from geotrim.rules.delegated import delegated_list
from geotrim.rules.rule_set import RuleSet

NOTE_HEADS = {
    "missing": "Not known, or not measured",
    "assumed": "Taken for granted",
    "repaired": "Mended in the input",
    "info": "Done on the way",
}
#: Notes of one kind that are listed.
MOST_NOTES = 20
KIND_WORDS = {"state": "state law", "practice": "advice, not law", "overlay": "local rules"}
#: Words an owner may not know. Sources: ss. 403.9325, 403.9329 and 177.27 F.S. for what they are.
WORDS = {
    "Act": "the state's Mangrove Trimming and Preservation Act, ss. 403.9321 to 403.9333 F.S.",
    "Authority": "the state department, or the county, city or town it has handed the act to",
    "Error": "one standard error: about two times in three the true value is within it",
    "Exemption": "work the act lets be done without a permit, while all its limits are kept",
    "Fringe": "the belt of mangroves along the shore (in the act: riparian mangrove fringe); its "
    "depth runs from the landmost to the outermost trunk, square to the shore",
    "MHW line": "the mean high water line, where the shore is taken to be",
    "Professional mangrove trimmer": "a person with a credential that the act names",
    "Permit": "a general permit is asked for by written notice; an individual one by application",
    "Stage": "one year's part of a cut that is spread over years",
    "Substrate": "the ground or mud a tree stands in; heights are measured from it",
    "Too close": "nearer to a limit than the error lets one tell",
    "Foliage": "leaves and twigs; here a share of the crown's volume stands for a share of them",
}


def end(
    site: Site, results: facts.Results, rules: RuleSet, told: Container[str] = ()
) -> Iterator[Block]:
    """Notes, cautions, words, and what the statement was made with.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result.
    rules : RuleSet
        The rules in force for the site.
    told : container of str
        Texts of notes that are told elsewhere on the page.
    """
    yield Heading("What was assumed, and what is not known", 2)
    yield from _notes(site, results, told)
    yield Heading("Cautions", 2)
    yield Bullets(tuple(line(one) for one in CAUTIONS))
    yield Heading("Words used here", 2)
    rows = tuple(row(line(strong(word)), told) for word, told in WORDS.items())
    yield Table(("Word", "What it means"), rows, "words")
    yield Heading("Rule files and version", 2)
    yield Table(("Rule file", "Of", "Kind", "Version"), tuple(_files(rules)), "files")
    sure = facts.parameter(results, "route", "confidence_frac", None)
    told = f"Made with geotrim {geotrim.__version__}."
    if sure is not None:
        told += f" A figure is too close to a limit when its error leaves a doubt at {sure:.0%}"
        told = told.replace("%", " %") + " confidence."
    yield Paragraph(line(told))


def _notes(site: Site, results: facts.Results, elsewhere: Container[str]) -> Iterator[Block]:
    every = [note for note in facts.all_notes(site, results) if note.text not in elsewhere]
    for level, head in NOTE_HEADS.items():
        told = grouped([note for note in every if note.level == level])
        if not told:
            continue
        yield Heading(head, 3)
        lines = [line(one) for one in told[:MOST_NOTES]]
        if len(told) > MOST_NOTES:
            lines.append(line(f"and {len(told) - MOST_NOTES} more, in the record of the run"))
        yield Bullets(tuple(lines))
    if not every:
        yield Paragraph(line("Nothing was noted."))


def _files(rules: RuleSet) -> Iterator[tuple[Cell, ...]]:
    for file in rules.files:
        name = cell(file.title, line(small(file.id)))
        yield row(name, file.jurisdiction, KIND_WORDS.get(file.kind, file.kind), file.version)
    known = delegated_list()["list"]
    told = cell(known["title"], line(small(known["id"])))
    yield row(told, known["jurisdiction"], f"list as of {known['as_of']}", known["version"])
