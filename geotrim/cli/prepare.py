"""``geotrim prepare``: parsers made from the declarations, and the command itself."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotrim.cli import COMMANDS
from geotrim.cli.parser import Parser, add_params, given_params, in_options, number_of
from geotrim.errors import GeotrimError
from geotrim.prepare.catalogue import PREPARATIONS
from geotrim.prepare.declared import NUMBER_KEYS, Preparation, Source

if TYPE_CHECKING:
    from geotrim.handover.declared import Handover
    from geotrim.model import Note
    from geotrim.prepare.task import GivenFile

#: Columns of the text on a terminal.
WIDTH = 80


def list_text() -> str:
    """What ``geotrim prepare`` alone prints."""
    import textwrap

    left = max(map(len, PREPARATIONS)) + 4
    lines = [COMMANDS["prepare"], "", "usage: geotrim prepare NAME --FILES ... [options]", ""]
    for name, declared in PREPARATIONS.items():
        told = textwrap.wrap(declared.summary, WIDTH - left)
        lines += [f"{'  ' + name:<{left}}{told[0]}", *(" " * left + more for more in told[1:])]
    return "\n".join([*lines, "", "'geotrim prepare NAME --help' tells the options of one."])


def preparations_markdown(preparations: Mapping[str, Preparation]) -> str:
    """The preparations as a Markdown table."""
    rows = ["| preparation | what it does | reads | makes |", "| --- | --- | --- | --- |"]
    for one in preparations.values():
        reads = [f"`{s.option}`" if s.is_required else f"[`{s.option}`]" for s in one.sources]
        makes = "; ".join(f"`{file}`: {what}" for file, what in one.outputs.items())
        rows.append(f"| `{one.name}` | {one.summary} | {', '.join(reads)} | {makes} |")
    return "\n".join(rows)


def preparation_parser(declared: Preparation) -> Parser:
    """Parser of one preparation's command."""
    about = f"{declared.summary} Caution: {declared.caution}"
    parser = Parser(
        f"prepare {declared.name}", about, f"prepare {declared.name} --FILES ... [options]"
    )
    add_sources(parser, declared.sources)
    add_params(parser, declared.params)
    out = parser.add_argument_group("output")
    out.add_argument(
        "--out",
        metavar="FOLDER",
        help=f"new folder [prepared/{declared.name}, then {declared.name}-2 ...]",
    )
    out.add_argument(
        "--replace", action="store_true", help="let an earlier folder at --out go, at the end"
    )
    return parser


def add_sources(parser: Parser, sources: Iterable[Source]) -> None:
    """An option for each file, with what else may be said of it."""
    group = parser.add_argument_group("files")
    for source in sources:
        action: dict[str, Any] = {"action": "append"} if source.is_many else {}
        may = "" if source.is_required else " (may be left out)"
        group.add_argument(source.option, metavar="FILE", help=source.help + may, **action)
        for key, metavar, text in source.keys:
            group.add_argument(
                source.option_of(key), dest=f"{source.name}.{key}", metavar=metavar, help=text
            )


def given_sources(
    declared: Preparation | Handover, args: argparse.Namespace
) -> dict[str, tuple[GivenFile, ...]]:
    """The files named on the command line, each with what was said of its kind."""
    from geotrim.prepare.task import GivenFile

    found: dict[str, tuple[GivenFile, ...]] = {}
    values = vars(args)
    for source in declared.sources:
        said = {}
        for key, _, _ in source.keys:
            text = values.get(f"{source.name}.{key}")
            if text is not None:
                kind = NUMBER_KEYS.get(key, float if key.endswith("_ft") else str)
                option = source.option_of(key)
                said[key] = text if kind is str else number_of(text, option, whole=kind is int)
        named = values.get(source.name)
        if named is None:
            if said:
                key = next(iter(said))
                raise GeotrimError(
                    source.option_of(key),
                    "no file it is about",
                    "the file too",
                    f"say {source.option} FILE",
                )
            continue
        paths = named if source.is_many else [named]
        found[source.name] = tuple(GivenFile(path, source.option, said) for path in paths)
    return found


def options_of(declared: Preparation | Handover, about: str) -> dict[str, str]:
    """Keys and parameters that a message about an input may name, each with its option."""
    own = {p.name: p.option for p in declared.params if "_" in p.name}
    for source in declared.sources:
        if about.partition(" ")[0].rstrip(",") in (source.name, source.option):
            own |= {key: source.option_of(key) for key, _, _ in source.keys}
    return own


def under_options(error: GeotrimError, declared: Preparation | Handover) -> GeotrimError:
    """An error told under the options of the command line.

    Examples
    --------
    >>> from geotrim.prepare.catalogue import SURVEY
    >>> error = GeotrimError("--trees tag_field", "none", "a tag", "name it with tag_field")
    >>> told = under_options(error, SURVEY)
    >>> told.subject, told.mend
    ('--trees-tag-field', 'name it with --trees-tag-field')
    """
    options, subject = options_of(declared, error.subject), error.subject
    for source in declared.sources:
        if subject.partition(" ")[0].rstrip(",") == source.name:
            subject = source.option + subject[len(source.name) :]
        for key, _, _ in source.keys:
            if subject == f"{source.option} {key}":
                subject = source.option_of(key)
    parts = (in_options(part, options) for part in (error.found, error.need, error.mend))
    return type(error)(subject, *parts)


def run_prepare(
    words: list[str],
    progress: Callable[[str], None] | None,
    progress_end: Callable[[Callable[[str], None] | None], None],
) -> int:
    """Make one input, and tell what was made and what to do with it."""
    if not words or words[0] in ("-h", "--help"):
        print(list_text())
        return 0
    from geotrim.prepare.work import SITE_PART, named, prepare_input

    declared = named(words[0])
    args = preparation_parser(declared).parse_args(words[1:])
    if args.replace and args.out is None:
        raise GeotrimError("--replace", "no --out", "the folder to replace", "say --out FOLDER")
    sources, params = given_sources(declared, args), given_params(args, declared.params)
    try:
        done = prepare_input(
            declared.name,
            sources,
            params,
            out=args.out,
            is_replacing=args.replace,
            progress=progress,
        )
    except GeotrimError as error:
        raise under_options(error, declared) from error
    progress_end(progress)
    made = done.prepared
    files = {**made.files, SITE_PART: "the tables of a site file that use it"}
    tell_made(declared, done.folder, made.words, made.notes, files)
    return 0


def tell_made(
    declared: Preparation | Handover,
    folder: Path,
    words: str,
    notes: Iterable[Note],
    files: Mapping[str, str],
) -> None:
    """Print what was found, what was assumed, the caution, and what was written, file by file."""
    from geotrim.cli.show import notes_text

    told = [replace(n, text=in_options(n.text, options_of(declared, n.about))) for n in notes]
    print("\n\n".join(filter(None, [words, notes_text(told)])))
    if declared.caution:
        print(f"\ncaution: {declared.caution}")
    every = [*files.items(), ("record.json", "record")]
    left = max(len(name) for name, _ in every) + 2
    print(f"\nwritten: {folder}")
    print("\n".join(f"  {name:<{left}}{what}" for name, what in every))
