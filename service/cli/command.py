"""The `nonreturn` command: `nonreturn --help` lists what it does.

A service reads its settings from the environment (see service/settings.py); the command's options stand over them.
"""

import argparse
import asyncio
import datetime as dt
import json
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from importlib import metadata
from pathlib import Path
from typing import get_args
from uuid import UUID

from asyncpg import PostgresError
from msgspec.structs import replace

from rules import LengthUnit, PressureUnit
from service.cli.starting import listener, only_one
from service.db.embedded import EmbeddedPostgres
from service.imports.schemas import DateOrder, ImportOptions
from service.imports.sheets import Delimiter, Encoding
from service.problems import ProblemError
from service.settings import Settings
from service.signing import KeyRing, new_key
from service.trouble import TroubleError, flat, working


def parser() -> argparse.ArgumentParser:
    """The command line."""
    root = argparse.ArgumentParser(prog="nonreturn", description="Judges backflow field tests, and keeps the record.")
    root.add_argument("--version", action="version", version=f"nonreturn {metadata.version('nonreturn')}")
    commands_ = root.add_subparsers(dest="command", required=True)
    serve = commands_.add_parser("serve", help="serve /v1 from the database at NONRETURN_DSN, or from one of its own")
    serve.add_argument("--host", help="address to listen on (default 127.0.0.1)")
    serve.add_argument("--port", type=int, help="port to listen on (0 takes any free one)")
    serve.add_argument("--workers", type=int, default=1, help="processes to serve with (needs NONRETURN_DSN)")
    show = commands_.add_parser("demo", help="a small utility of our own invention, with two years of reports, served at once")
    show.add_argument("--port", type=int, help="port to listen on (0 takes any free one)")
    show.add_argument("--data", type=Path, help="folder for the demo's own Postgres (default .demo/postgres)")
    show.add_argument("--ready", type=Path, help="file that gets the address, keys and ids, as JSON, once serving")
    commands_.add_parser("migrate", help="bring the database at NONRETURN_ADMIN_DSN or NONRETURN_DSN to the newest schema")
    key = commands_.add_parser("key", help="make an organisation and a key for it; the key is shown once")
    key.add_argument("--kind", choices=["operator", "utility", "testing_company", "regulator"], default="operator")
    key.add_argument("--name", default="Operator", help="the organisation's name")
    key.add_argument("--utility", action="append", default=[], help="a utility's code to grant; may be given again")
    signing = commands_.add_parser("signing-key", help="make a key that signs receipts and tree heads from now on")
    signing.add_argument(
        "act", choices=["new"], help="new: make a key; those in the file before it retire, and prove what they signed"
    )
    signing.add_argument("file", type=Path, help="the file to name in NONRETURN_SIGNING_KEYS")
    rebuild = commands_.add_parser("rebuild", help="work out every standing again from the reports, and say which differed")
    rebuild.add_argument("utility", help="the utility's code")
    _add_proofs(commands_)
    _add_load(commands_)
    export = commands_.add_parser("export", help="write everything a utility owns, as NDJSON")
    export.add_argument("utility", help="the utility's code")
    export.add_argument("--to", type=Path, help="the file to write (default: standard output); it is there whole or not at all")
    for act, does in (("undo", "undo an import whole"), ("seal-import", "seal an import: it can no longer be undone as a whole")):
        acting = commands_.add_parser(act, help=does)
        acting.add_argument("utility", help="the utility's code")
        acting.add_argument("id", type=UUID, help="the import's id, which `load --write` prints")
        acting.add_argument("--because", required=True, help="why")
        acting.add_argument("--decided-by", help="who decides")
        if act == "undo":
            acting.add_argument(
                "--later-reports", type=int, default=0, help="how many later reports rest on it, if you have looked at them"
            )
    restore = commands_.add_parser("restore", help="write an exported utility into a database that has nothing of it")
    restore.add_argument("file", type=Path, help="the export")
    notices = commands_.add_parser("notices", help="prepare the notices of today, once each; for a timer, as often as is liked")
    notices.add_argument("utilities", nargs="+", metavar="utility", help="a utility's code; several are done one after another")
    commands_.add_parser("deliver", help="send webhooks, beside serving processes with NONRETURN_DELIVER=no or without them")
    screen = commands_.add_parser(
        "screen", help="look for records that deserve a second look; running it again changes nothing that is the same"
    )
    screen.add_argument("utility", help="the utility's code")
    screen.add_argument("--since", type=dt.date.fromisoformat, help="a day of the first year to look at (default: last year)")
    _add_rulebook(commands_)
    return root


def _add_load(commands_: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """How spreadsheets are imported."""
    load = commands_.add_parser(
        "load", help="import spreadsheets (CSV, XLSX) of premises, assemblies and past tests; a dry run without --write"
    )
    load.add_argument("files", type=Path, nargs="+", metavar="FILE", help="the files, loaded as one")
    load.add_argument("--utility", required=True, help="the utility's code")
    load.add_argument("--write", action="store_true", help="write what is new and changed, if there is no problem")
    load.add_argument("--partial", action="store_true", help="write what is good though there are problems")
    load.add_argument(
        "--make-testers-and-gauges",
        action="store_true",
        help="register testers and gauges that are not registered, from the files",
    )
    load.add_argument("--correct-reports", action="store_true", help="supersede recorded tests that read otherwise in the files")
    load.add_argument(
        "--history",
        action="store_true",
        help="the tests are those you accepted on paper: accepted here too, by their declared result where readings are missing",
    )
    load.add_argument(
        "--held-or-refused-at-most",
        type=float,
        default=ImportOptions().held_or_refused_at_most,
        metavar="SHARE",
        help="write nothing where more of the new tests would be held or refused (0 to 1, default %(default)s)",
    )
    load.add_argument("--encoding", choices=get_args(Encoding), default="utf-8", help="of CSV (default utf-8)")
    load.add_argument("--delimiter", choices=get_args(Delimiter), help="of CSV (default: what the first line shows)")
    load.add_argument("--dates", choices=get_args(DateOrder), help="the order of dates like 03/04/2025")
    load.add_argument("--pressure", choices=get_args(PressureUnit), help="the unit of pressures that name none")
    load.add_argument("--length", choices=get_args(LengthUnit), help="the unit of lengths that name none")
    load.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="HEADING=FIELD",
        help="what a heading means; without a field its column is left out",
    )
    load.add_argument(
        "--default",
        action="append",
        default=[],
        metavar="FIELD=VALUE",
        help="the value of a field that the files do not have, for new records",
    )
    load.add_argument(
        "--hazard",
        action="append",
        default=[],
        metavar="WORD=MEANING",
        help="what the files' word for a hazard means, where it is not the rulebook's own: a degree, or a word of the rulebook",
    )


def _add_rulebook(commands_: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """What is done with rulebooks' files."""
    rulebook = commands_.add_parser("rulebook", help="check a rulebook's file, or list the rulebooks to look at again")
    acts = rulebook.add_subparsers(dest="act", required=True)
    check = acts.add_parser("check", help="say every fault of a rulebook's file, with its line")
    check.add_argument("file", type=Path, help="the file, such as rules/data/rulebooks/us-wa.toml")
    stale = acts.add_parser("stale", help="list the rulebooks whose sources nobody has looked at for too long")
    stale.add_argument("--on", type=dt.date.fromisoformat, help="as of this day (default: today)")


def _add_proofs(commands_: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """The commands that prove the record."""
    rejudge = commands_.add_parser("rejudge", help="judge every stored report again, and say which verdicts differ")
    rejudge.add_argument("utility", nargs="?", help="the utility's code; every utility where it is left out")
    seal = commands_.add_parser("seal", help="sign the head of each log as it is, and print it, to be kept elsewhere")
    seal.add_argument("utility", nargs="?", help="the utility's code; every utility where it is left out")
    audit = commands_.add_parser("audit", help="find reports that were changed, removed, added or back-dated, and say which")
    audit.add_argument("--utility", help="the utility's code; every utility where it is left out")
    audit.add_argument("--heads", type=Path, help="signed heads that were kept elsewhere: one a line, or answers of the service")
    audit.add_argument("--rejudge", action="store_true", help="judge every report again, too")
    audit.add_argument("--standings", action="store_true", help="work out every standing again, too")


def main() -> None:
    """Run the command; exit status 0 where it did what it says."""
    options = parser().parse_args()
    if options.command == "rulebook":
        sys.exit(_rulebook(options))
    try:
        settings = Settings.from_environment(os.environ)
        if options.command in ("serve", "demo", "seal", "audit"):
            KeyRing(settings.signing_keys)
    except (OSError, ValueError) as error:
        sys.exit(f"nonreturn: A setting cannot be read: {flat(error)}.")
    given = {name: value for name in ("host", "port", "data") if (value := getattr(options, name, None)) is not None}
    settings = replace(settings, **given)
    if options.command in ("audit", "seal", "rejudge", "rebuild") and settings.dsn is None and not settings.data.exists():
        sys.exit(
            f"nonreturn: there is no record to look at: set NONRETURN_DSN, "
            f"or NONRETURN_DATA to where the demo keeps its own ({settings.data} is not there)."
        )
    try:
        _run(settings, options)
    except PostgresError as error:
        sys.exit(f"nonreturn: {working(error)}")
    except (TroubleError, ProblemError, OSError) as error:
        sys.exit(f"nonreturn: {error}")
    except KeyboardInterrupt:
        # As the shell counts it: ended by Ctrl-C.
        sys.exit(130)


def _rulebook(options: argparse.Namespace) -> int:
    """Check a rulebook's file, or list the rulebooks to look at again; 1 where there is something to do."""
    from service.clock import SystemClock  # noqa: PLC0415 - needed by nothing else
    from service.rules.rulebook_files import check_file, stale_rulebooks  # noqa: PLC0415 - the same

    if options.act == "stale":
        found = stale_rulebooks(options.on or SystemClock().now().date())
        print("\n".join(found) if found else "Every rulebook was looked at in time.")
        return 1 if found else 0
    try:
        faults = check_file(options.file)
    except OSError as error:
        sys.exit(f"nonreturn: {error}")
    print("\n".join(f"{options.file}:{fault.line}: {fault.says}" for fault in faults) or f"{options.file}: no fault found.")
    return 1 if faults else 0


def _demo(settings: Settings, ready: Path | None) -> int:
    """Run the demo: its Postgres starts while the service is read in, which takes about as long; the exit status."""
    # From here on, a signal to stop must not leave a Postgres running.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with only_one(settings.data) as serving, listener(settings.host, settings.port) as taken, ThreadPoolExecutor(1) as aside:
        postgres = None if settings.dsn else aside.submit(EmbeddedPostgres, settings.data)
        from service.cli import demo  # noqa: PLC0415 - see above

        return demo.run(settings, postgres, taken, serving=serving, ready=ready)


def _run(settings: Settings, options: argparse.Namespace) -> None:
    if options.command == "demo":
        sys.exit(_demo(settings, options.ready))
    # The whole service, which the demo reads in at its own time.
    from service.cli import commands, proving  # noqa: PLC0415 - see above

    if options.command == "serve":
        commands.serve(settings, workers=options.workers)
    elif options.command == "migrate":
        commands.migrate(settings)
    elif options.command == "key":
        print(asyncio.run(commands.make_key(settings, options.kind, options.name, options.utility)))
    elif options.command == "signing-key":
        print(new_key(options.file))
    elif options.command == "deliver":
        sys.exit(commands.deliver(settings))
    elif options.command == "rebuild":
        sys.exit(asyncio.run(commands.rebuild(settings, options.utility)))
    elif options.command == "rejudge":
        sys.exit(asyncio.run(proving.rejudge(settings, options.utility)))
    elif options.command == "screen":
        asyncio.run(commands.screen(settings, options.utility, options.since))
    elif options.command == "seal":
        sys.exit(asyncio.run(proving.seal(settings, options.utility)))
    elif options.command == "audit":
        facts = {"rejudged": options.rejudge, "standings": options.standings}
        sys.exit(asyncio.run(proving.audited(settings, options.utility, proving.kept_heads(options.heads), **facts)))
    elif options.command == "notices":
        asyncio.run(commands.notices(settings, options.utilities))
    else:
        sys.exit(_exchange(settings, options))


def _exchange(settings: Settings, options: argparse.Namespace) -> int:
    """Take a utility's record out, or bring it in; the exit status."""
    from service.cli import exchange  # noqa: PLC0415 - as in `_run`

    try:
        if options.command == "load":
            return asyncio.run(exchange.load(settings, options.utility, options.files, _load_options(options)))
        if options.command in ("undo", "seal-import"):
            return asyncio.run(exchange.undo_or_seal(settings, options))
        if options.command == "export":
            return asyncio.run(exchange.export(settings, options.utility, options.to))
        return asyncio.run(exchange.restore(settings, options.file))
    except (ProblemError, OSError) as error:
        return exchange.complain(error)


def _load_options(options: argparse.Namespace) -> ImportOptions:
    pairs = [item.rpartition("=") for item in options.column]
    return ImportOptions(
        dry_run=not options.write,
        partial=options.partial,
        make_testers_and_gauges=options.make_testers_and_gauges,
        correct_reports=options.correct_reports,
        history=options.history,
        held_or_refused_at_most=options.held_or_refused_at_most,
        encoding=options.encoding,
        delimiter=options.delimiter,
        dates=options.dates,
        pressure=options.pressure,
        length=options.length,
        columns=json.dumps({heading: field or None for heading, _, field in pairs}),
        defaults=json.dumps(dict(item.partition("=")[::2] for item in options.default)),
        hazards=json.dumps(dict(item.partition("=")[::2] for item in options.hazard)),
    )
