"""What each command does. Bad input is raised, never printed here; the front door tells it."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from geotrim.cli import COMMANDS
from geotrim.cli.parser import (
    Parser,
    check_required,
    given_facts,
    given_files,
    given_params,
    notes_in_options,
    operation_parser,
    run_parser,
    text_of,
    under_option_names,
)
from geotrim.errors import GeotrimError, RegistryError
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.chain import closure, inputs_of, operation_named, params_of
from geotrim.ops.plugins import all_operations, plugins
from geotrim.ops.registry import Operation

if TYPE_CHECKING:
    from geotrim.model import Site


#: Site fields that are said with another one.
BELONGING = ("trunks_rmse_ft", "mhw_facts", "mhw_origin")


def run_command(command: str, words: list[str]) -> int:
    """Run one command with its own words; the exit code comes back."""
    own: dict[str, Callable[[list[str]], int]] = {
        "run": _run,
        "screen": _screen,
        "prepare": _prepare,
        **{name: partial(_hand_over, name) for name in ("sheets", "crew", "verify")},
        "enter": _enter,
        "history": _history,
        "new": _new,
        "layers": _layers,
        "operations": _operations,
    }
    if command in own:
        return own[command](words)
    if command.startswith("-"):
        raise GeotrimError(command, "an option before a command", "a command", "see geotrim --help")
    return _measure(_operation(command), words)


def _operation(name: str) -> Operation:
    if name in OPERATIONS:
        return OPERATIONS[name]
    import difflib

    _tell_faults()
    every = [*COMMANDS, *all_operations()]
    if name not in every:
        near = difflib.get_close_matches(name, every, n=1)
        raise RegistryError(
            "command",
            f"{name!r}",
            f"one of {', '.join(every)}",
            f"say {near[0]!r} if you meant that" if near else "see geotrim --help",
        )
    return operation_named(name)


def _measure(operation: Operation, words: list[str]) -> int:
    """One operation, with those it builds on."""
    from geotrim.cli.show import notes_text, result_text
    from geotrim.cli.write import check_table, check_target, write_result
    from geotrim.ops.chain import measure

    chain = closure([operation.name])
    args = operation_parser(operation, chain).parse_args(words)
    params = given_params(args, params_of(chain.values()).values())
    out = None if args.out is None else Path(args.out)
    if out is not None:
        check_target(out, is_replacing=args.replace)
        check_table(operation, args.table)
    elif args.replace or args.table is not None:
        extra = "--replace" if args.replace else "--table"
        raise GeotrimError(extra, "no --out", "the file it is about", "say --out FILE")
    site = _site(args, params, inputs_of(chain.values()))
    progress = _progress()
    results = measure(site, [operation.name], progress=progress)
    _progress_end(progress)
    result = results[operation.name]
    if args.site is None:
        told = notes_in_options(result.notes, params_of(chain.values()).values())
        result = replace(result, notes=told)
    tables = []
    if out is not None:
        tables = write_result(
            out, result, site.crs, args.table, crowns=site.crowns, is_replacing=args.replace
        )
    in_words = cast("Callable[..., str] | None", operation.load_words())
    if in_words is not None and not args.all:
        print("\n".join(filter(None, [in_words(site, results), "", notes_text(result.notes)])))
    else:
        print(result_text(result, rows=sys.maxsize) if args.all else result_text(result))
    if operation.caution:
        print(f"\ncaution: {operation.caution}")
    if tables:
        print(f"\nwritten: {out} ({', '.join(tables)})")
    return 0


def _site(args: Any, params: Mapping[str, object], needed: Mapping[str, bool]) -> Site:
    """The site from a site file or from the files named on the command line."""
    from geotrim.io.site_file import read_site, site_from_tables
    from geotrim.run import with_choices

    tables = given_files(args)
    if args.site is None and tables:
        check_required(tables, needed)
    if args.site is None and not tables:
        if params and not any(needed.values()) and not getattr(args, "lot", None):
            return _no_site(params)  # figures alone will do
        raise GeotrimError(
            "command line", "no site", "a site file, or files", "name one, or see --help"
        )
    if args.site is None:
        head = {"crs": args.crs} if args.crs else {}
        try:
            site = site_from_tables({"site": head, **tables}, source="command line")
        except GeotrimError as error:
            raise under_option_names(error) from error
    elif tables or args.crs:
        first = next(iter(tables), "crs").replace("_", "-")
        extra = "--crs" if args.crs else "--local-rules" if first == "rules" else f"--{first}"
        raise GeotrimError(
            extra, "a site file beside it", "one or the other", f"write it into {args.site}"
        )
    else:
        own = params_of(all_operations().values())
        site = read_site(args.site, params=own, lots=getattr(args, "lot", None))
    return with_choices(site, getattr(args, "lot", None), params, given_facts(args))


def _no_site(params: Mapping[str, object]) -> Site:
    """A site without any input, for an operation that can do without."""
    from geotrim.model import Site

    return Site("command line", None, None, None, "", options=params)


def _run(words: list[str]) -> int:
    """All that a site file allows, into one package."""
    args = run_parser(all_operations()).parse_args(words)
    if args.replace and args.out is None:
        raise GeotrimError("--replace", "no --out", "the folder to replace", "say --out FOLDER")
    params = given_params(args, params_of(all_operations().values()).values())
    _tell_faults()
    from geotrim.run import run_site

    progress = _progress()
    run = run_site(
        args.site,
        args.out,
        lots=args.lot,
        options=params,
        facts=given_facts(args),
        is_replacing=args.replace,
        progress=progress,
    )
    _progress_end(progress)
    print(run.summary)
    print(f"\nresults: {run.folder}")
    return 0


def _screen(words: list[str]) -> int:
    """Many lots, in parts that can be gone on with."""
    from geotrim.cli.screen import run_screen

    return run_screen(words)


def _prepare(words: list[str]) -> int:
    """A missing input of a site, made from raw files."""
    from geotrim.cli.prepare import run_prepare

    return run_prepare(words, _progress(), _progress_end)


def _hand_over(name: str, words: list[str]) -> int:
    """Papers of a result package."""
    from geotrim.cli.handover import run_handover

    return run_handover(name, words, _progress(), _progress_end)


def _enter(words: list[str]) -> int:
    """A new entry in a site's ledger."""
    from geotrim.cli.ledger import run_enter

    return run_enter(words)


def _history(words: list[str]) -> int:
    """What a ledger tells of a tree or a lot."""
    from geotrim.cli.ledger import run_history

    return run_history(words)


def _new(words: list[str]) -> int:
    """A starter site file."""
    parser = Parser("new", COMMANDS["new"], "new FOLDER")
    parser.add_argument("folder", metavar="FOLDER", help="folder that holds the files")
    args = parser.parse_args(words)
    from geotrim.io.site_spec import FILL_IN
    from geotrim.io.starter import write_starter

    path, notes = write_starter(args.folder)
    for note in notes:
        print(f"{note.level:<8}  {note}")
    typed = f'"{path}"' if " " in str(path) else str(path)
    is_marked = FILL_IN in path.read_text(encoding="utf-8").partition("\n[")[2]
    then = "Fill in what is marked there, then" if is_marked else "Check it, then"
    print(f"written: {path}\n{then}: geotrim run {typed}")
    return 0


def _layers(words: list[str]) -> int:
    """Layers and fields of a file."""
    parser = Parser("layers", COMMANDS["layers"], "layers FILE")
    parser.add_argument("file", metavar="FILE", help="vector file")
    args = parser.parse_args(words)
    from geotrim.io.layers import layer_schema, list_layers

    for name in list_layers(args.file, subject=args.file):
        schema = layer_schema(args.file, name, subject=args.file)
        shapes = "no shapes" if schema.kind == "none" else f"{schema.kind} shapes"
        print(f"{name}: {schema.n_features} features, {shapes}")
        print(f"  CRS     {crs_name(schema.crs)}")
        for field, kind in schema.fields.items():
            print(f"  field   {field} ({kind})")
    return 0


def crs_name(crs: Any) -> str:
    """Name of a CRS, with its code and unit where it has them."""
    if not crs:
        return "none stated"
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        found = CRS.from_user_input(crs)
    except CRSError:
        return "not understood"
    code = found.to_authority()
    unit = found.axis_info[0].unit_name if found.axis_info else "unit unknown"
    return f"{found.name}{f' ({code[0]}:{code[1]})' if code else ''}, {unit}"


def _operations(words: list[str]) -> int:
    """Every operation, as a table or as JSON with the schema of its parameters."""
    parser = Parser("operations", COMMANDS["operations"], "operations [options]")
    parser.add_argument("--json", action="store_true", help="as JSON, with parameter schemas")
    parser.add_argument("--markdown", action="store_true", help="as the table of the README")
    args = parser.parse_args(words)
    if args.markdown:
        print(operations_markdown(OPERATIONS))
        return 0
    _tell_faults()
    every = all_operations()
    if args.json:
        print(json.dumps([operation_json(op) for op in every.values()], indent=2))
        return 0
    for op in every.values():
        origin = "" if op.name in OPERATIONS else " (plug-in)"
        print(f"{op.name}{origin}\n  {op.summary}")
        print(f"  reads   {', '.join(_told(item) for item in _tables_of(op))}")
        if op.after:
            print(f"  after   {', '.join(op.after)}")
        for table, columns in op.outputs.items():
            print(f"  gives   {table}: {', '.join(columns)}")
        if op.params:
            print(f"  options {', '.join(param.option for param in op.params)}")
    return 0


def operations_markdown(operations: Mapping[str, Operation]) -> str:
    """The operations as a Markdown table."""
    rows = ["| operation | what it does | reads | options, defaults |", "| --- | --- | --- | --- |"]
    for op in operations.values():
        options = [
            f"`{param.option}`" + ("" if param.default is None else f" {text_of(param.default)}")
            for param in op.params
        ]
        reads = ", ".join(_told(item).replace("_", " ") for item in _tables_of(op))
        rows.append(f"| `{op.name}` | {op.summary} | {reads} | {', '.join(options) or '-'} |")
    return "\n".join(rows)


def operation_json(op: Operation) -> dict[str, Any]:
    """One declaration as JSON; the parameters as a JSON Schema."""
    return {
        "name": op.name,
        "summary": op.summary,
        "inputs": list(op.inputs),
        "after": list(op.after),
        "outputs": {table: list(columns) for table, columns in op.outputs.items()},
        "parameters": {
            "type": "object",
            "properties": {param.name: param.schema() for param in op.params},
            "additionalProperties": False,
        },
        "rules": list(op.rules),
        "caution": op.caution,
    }


def _tables_of(op: Operation) -> list[str]:
    """Inputs of an operation but those that belong to another: the origin of a line, an error."""
    return [item for item in op.inputs if item.removesuffix("?") not in BELONGING]


def _told(item: str) -> str:
    return f"[{item[:-1]}]" if item.endswith("?") else item


def _tell_faults() -> None:
    for name, what in plugins()[1]:
        print(f"geotrim: plug-in {name} was left out: {what}", file=sys.stderr)


def _progress() -> Callable[[str], None] | None:
    """What is being done, on one line of a terminal; nothing elsewhere."""
    if not sys.stderr.isatty():
        return None
    return lambda doing: print(f"\r\x1b[K{doing} ...", end="", file=sys.stderr, flush=True)


def _progress_end(progress: Callable[[str], None] | None) -> None:
    if progress is not None:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)
