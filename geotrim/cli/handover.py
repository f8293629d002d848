"""Commands that make papers of a result package, grown from their declarations."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from geotrim.cli.parser import Parser, add_params, given_params
from geotrim.cli.prepare import add_sources, given_sources, tell_made, under_options
from geotrim.errors import GeotrimError
from geotrim.handover.catalogue import HANDOVERS
from geotrim.handover.declared import Handover


def handovers_markdown(handovers: Mapping[str, Handover]) -> str:
    """The handovers as a Markdown table."""
    rows = ["| command | what it does | reads beside the package | makes |"]
    rows.append("| --- | --- | --- | --- |")
    for one in handovers.values():
        reads = ", ".join(
            f"`{s.option}`" if s.is_required else f"[`{s.option}`]" for s in one.sources
        )
        makes = "; ".join(f"`{file}`: {what}" for file, what in one.outputs.items())
        rows.append(f"| `{one.name}` | {one.summary} | {reads or '-'} | {makes} |")
    return "\n".join(rows)


def handover_parser(declared: Handover) -> Parser:
    """Parser of one handover's command."""
    about = f"{declared.summary} Caution: {declared.caution}"
    parser = Parser(declared.name, about, f"{declared.name} PACKAGE [options]")
    parser.add_argument("package", metavar="PACKAGE", help="folder that geotrim run wrote")
    if declared.sources:
        add_sources(parser, declared.sources)
    add_params(parser, declared.params)
    out = parser.add_argument_group("output")
    out.add_argument(
        "--out",
        metavar="FOLDER",
        help=f"new folder [PACKAGE-{declared.suffix}, then PACKAGE-{declared.suffix}-2 ...]",
    )
    out.add_argument(
        "--replace", action="store_true", help="let an earlier folder at --out go, at the end"
    )
    return parser


def run_handover(
    name: str,
    words: list[str],
    progress: Callable[[str], None] | None,
    progress_end: Callable[[Callable[[str], None] | None], None],
) -> int:
    """Make the papers, and tell what was made."""
    from geotrim.handover.work import hand_over

    declared: Any = HANDOVERS[name]
    args = handover_parser(declared).parse_args(words)
    if args.replace and args.out is None:
        raise GeotrimError("--replace", "no --out", "the folder to replace", "say --out FOLDER")
    files, params = given_sources(declared, args), given_params(args, declared.params)
    try:
        done = hand_over(
            name,
            args.package,
            files,
            params,
            out=args.out,
            is_replacing=args.replace,
            progress=progress,
        )
    except GeotrimError as error:
        raise under_options(error, declared) from error
    progress_end(progress)
    made = done.made
    tell_made(declared, done.folder, made.words, made.notes, made.files)
    if done.after:
        print(done.after)
    return 0
