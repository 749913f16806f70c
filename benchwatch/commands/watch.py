"""``benchwatch watch``: shows live counters on the screen, as lines or on a page."""

import sys
from contextlib import ExitStack
from dataclasses import replace
from decimal import Decimal
from functools import cache, partial
from pathlib import Path
from typing import Literal

import click

from benchwatch.bench import load_bench
from benchwatch.bus import DEFAULT_BACKEND, Buses, check_backend
from benchwatch.commands.benches_elsewhere.elsewhere_counters import checked_groups, find_elsewhere
from benchwatch.commands.benches_elsewhere.relay_options import (
    TypedRelay,
    open_relay,
    relay_options,
)
from benchwatch.commands.common.completed_words import (
    COUNTERS_OF_BENCH,
    COUNTERS_OF_PROOF,
    DRIVERS_OR_FILES,
    SIMULATED_BENCHES,
    UNITS,
)
from benchwatch.commands.common.discovery_options import other_dialects
from benchwatch.commands.common.journal_places import JOURNAL_TO_WRITE
from benchwatch.commands.common.option_types import (
    DURATION,
    FREQUENCY,
    IDENT,
    Named,
    of_option,
    refuse_together,
)
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.plain_writer import plain_writer
from benchwatch.commands.common.screen_options import ScreenOptions, can_show_screen, screen_options
from benchwatch.commands.common.shared_options import (
    json_readings_option,
    plain_option,
    settle_option,
    tolerance_option,
)
from benchwatch.commands.common.typed_readings import (
    acquire,
    standard_input,
    typed_source,
    typed_words,
    with_typed,
)
from benchwatch.commands.common.user_settings import check_keys, screen_settings, user_settings
from benchwatch.commands.common.watch_session import (
    run_lines,
    run_on_page,
    run_on_screen,
)
from benchwatch.commands.common.watch_start_and_end import end_watch, introduce
from benchwatch.commands.common.watch_visits import open_visits
from benchwatch.commands.common.watched_counters import (
    TypedSettings,
    check_plans,
    plan_counters,
    signal_groups,
    simulated_bench,
    units_on_bench,
)
from benchwatch.counter import DEFAULT_DRIVER
from benchwatch.driver_registry import driver
from benchwatch.errors import UsageError
from benchwatch.journal import Journal, default_path
from benchwatch.line_output import json_line
from benchwatch.register import register_path
from benchwatch.report.comparison_words import CHAIN_WORDS
from benchwatch.run.counters_in_run import RunLimits
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.watch_visits import WatchVisits
from benchwatch.web.served_address import LOOPBACK, WEB_PORT, ServedAddress, parse_served_address

FrontEnd = Literal["lines", "page", "screen"]


def _check_driver(_ctx: click.Context, _param: click.Parameter, name: str | None) -> str | None:
    if name is not None:
        with of_option("--driver"):
            driver(name)
    return name


@click.command()
@click.argument(
    "resources", metavar="[[NAME=]RESOURCE]...", nargs=-1, shell_complete=COUNTERS_OF_BENCH
)
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Watch the counters that this file describes; benchwatch bench init writes one.",
)
@click.option(
    "--sim",
    metavar="[NAME]",
    is_flag=False,
    flag_value="station",
    shell_complete=SIMULATED_BENCHES,
    help="Start a simulated bench on this computer (station unless named) and watch that.",
)
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the simulated bench.")
@click.option(
    "--fault",
    "faults",
    metavar="[NAME=]KIND@TIME[+DURATION]",
    multiple=True,
    help="Let something go wrong on the simulated bench, such as cut@30s or mute@10s+5s.",
)
@click.option(
    "--nominal",
    "nominals",
    metavar="[NAME=]FREQUENCY",
    type=Named(FREQUENCY),
    multiple=True,
    help="What the frequency should be, such as 10MHz; the round number it is near if left out.",
)
@tolerance_option
@settle_option
@click.option("--gate", "gate_s", type=DURATION, help="Set the counter's gate, such as 1s.")
@click.option("--interval", "interval_s", type=DURATION, help="Time from reading to reading.")
@click.option("--for", "for_s", type=DURATION, help="End after this long, such as 10min.")
@click.option("--count", type=click.IntRange(min=1), help="End after N readings of each counter.")
@click.option("--until", type=click.Choice(["settled"]), help="End when every counter has settled.")
@click.option("--journal", type=JOURNAL_TO_WRITE, help="Keep the readings in this file.")
@click.option("--no-journal", is_flag=True, help="Keep the readings nowhere.")
@relay_options
@click.option(
    "--typed",
    "by_hand",
    is_flag=True,
    help="Take readings that a person types, one a line, such as 10 000 000.09.",
)
@click.option(
    "--unit",
    "units",
    metavar="[NAME=]IDENT",
    type=Named(IDENT),
    multiple=True,
    shell_complete=UNITS,
    help="The unit on the bench; its open visit goes on. Nominal and limits come from it.",
)
@click.option(
    "--proof",
    "proofs",
    metavar="NAME,NAME",
    multiple=True,
    shell_complete=COUNTERS_OF_PROOF,
    help="Counters on one signal: compare them while they are watched.",
)
@click.option("--new", is_flag=True, help="Make units that are not known yet, without a question.")
@click.option("--no-resume", is_flag=True, help="Begin a new visit where one of this is open.")
@plain_option
@json_readings_option
@screen_options
@click.option("--sound", is_flag=True, help="Let the offset be heard beside the screen.")
@click.option("--web", is_flag=True, help="Show the screen on a page in a browser instead.")
@click.option(
    "--web-address",
    help="Serve the page on this address of this computer; to this computer only if left out.",
)
@click.option(
    "--web-port",
    type=click.IntRange(0, 65535),
    help=f"Serve the page on this port; {WEB_PORT} if left out, any free one if 0.",
)
@click.option(
    "--driver",
    "driver_name",
    callback=_check_driver,
    shell_complete=DRIVERS_OR_FILES,
    help=f"The dialect; {DEFAULT_DRIVER}, or what the bench says, if left out.",
)
@click.option("--backend", help=f"The VISA library, such as @ivi; {DEFAULT_BACKEND} comes along.")
def watch(
    *,
    resources: tuple[str, ...],
    bench_file: Path | None,
    sim: str | None,
    seed: int | None,
    faults: tuple[str, ...],
    nominals: tuple[tuple[str | None, Decimal], ...],
    tolerance: str | None,
    settle: str | None,
    gate_s: float | None,
    interval_s: float | None,
    for_s: float | None,
    count: int | None,
    until: str | None,
    journal: Path | None,
    no_journal: bool,
    relay: TypedRelay,
    units: tuple[tuple[str | None, str], ...],
    proofs: tuple[str, ...],
    new: bool,
    by_hand: bool,
    no_resume: bool,
    plain: bool,
    as_json: bool,
    screen: ScreenOptions,
    sound: bool,
    web: bool,
    web_address: str | None,
    web_port: int | None,
    driver_name: str | None,
    backend: str | None,
) -> int:
    """Watch frequency counters live.

    RESOURCE names the instrument, such as TCPIP0::192.168.1.20::5025::SOCKET. Several can
    be watched at once, each with a name: ten=RESOURCE five=RESOURCE. A file that some
    program writes a number a line into is watched too, and so is - for standard input. On a
    terminal, or with --typed, - takes the readings that you type, one a line.
    MQTT::HOST::PORT::STATION::COUNTER is a counter elsewhere, whose station sends (--relay);
    without COUNTER all of the station, without STATION all that the broker knows.
    With --bench, the words are names of counters in that file, all of them if left out.

    Nothing is set on the instrument but what you ask for: the gate with --gate, gate and
    channel in the bench file.
    """
    web = web or web_address is not None or web_port is not None
    address = _served_address(web_address, web_port)
    settings = user_settings()
    front_end = _front_end(plain=plain, as_json=as_json, web=web, sound=sound, screen=screen)
    refuse_together(("--journal", journal is not None), ("--no-journal", no_journal))
    typed = TypedSettings(
        nominals=nominals,
        tolerance=tolerance or settings.first("tolerance"),
        settle=settle or settings.first("settle"),
        gate_s=gate_s,
        interval_s=interval_s,
        driver=driver_name,
    )
    limits = RunLimits(count, for_s, until is not None)
    lines = front_end == "lines"
    bench_file = bench_file or settings.bench(resources, others=by_hand or sim is not None)
    resources = typed_words(resources, typed=by_hand, others=bool(bench_file or sim))
    with ExitStack() as stack:
        described = None if bench_file is None else load_bench(bench_file)
        backend = settings.backend(backend, None if described is None else described.backend)
        check_backend(backend)
        bench = stack.enter_context(
            simulated_bench(resources, bench_file, sim, seed=seed, faults=faults, nominals=nominals)
        )
        elsewhere = find_elsewhere(
            resources,
            described,
            typed,
            relay.identity,
            simulated=bench is not None,
            asked={"--journal": journal, "--driver": driver_name, "--relay": relay.broker},
            units=units,
        )
        where = None if no_journal or not elsewhere.is_here else journal or default_path()
        sends = relay.options(described, keeps=where is not None, looks=elsewhere.has_far)
        register = None if where is None else register_path(where, simulated=bench is not None)
        on_bench = units_on_bench(units, elsewhere.near, register, simulated=bench, bench=described)
        plans = plan_counters(
            elsewhere.near,
            replace(typed, units=on_bench),
            simulated=bench,
            bench=described,
            elsewhere=elsewhere.plans,
        )
        plans = elsewhere.spread(with_typed(plans, typed=by_hand), described)
        groups = checked_groups(
            signal_groups(proofs, plans, simulated=bench, bench=described), plans
        )
        load = cache(driver)
        if limits.until_settled and any(one.settle is None for one in settings.with_limits(plans)):
            raise UsageError("--until settled needs to know what settled means: add --settle.")
        check_plans(plans, load)
        readings_fd = standard_input(plans, screen=front_end == "screen")
        buses = Buses(readings_fd)
        source = typed_source(plans, readings_fd, lines=lines)
        kept = None if where is None else Journal(where, exclusive=journal is None)
        opened = (
            WatchVisits(plans=tuple(plans))
            if kept is None
            else open_visits(
                plans,
                on_bench.known,
                kept.path,
                new=new,
                resumes=not no_resume,
                begins_at_once=not lines,
            )
        )
        run = LiveWatch(
            settings.with_limits(opened.plans),
            journal=kept,
            limits=limits,
            lines=lines,
            acquire=partial(
                acquire,
                open_link=partial(buses.open_link, backend=backend),
                load=load,
                persistent=not lines or len(opened.plans) > 1,
                source=source,
                hint=other_dialects,
                desks=elsewhere.desks,
            ),
            earlier=opened.earlier,
            visits=opened.visits,
            register=opened.register,
            proof=groups,
            chain_words=CHAIN_WORDS,
            relay=open_relay(sends, kept),
        )
        elsewhere.follow(run.join, run.say)
        introduce(bench, described, kept, opened, sends)
        end = partial(end_watch, run, kept, opened.register)
        try:
            match front_end:
                case "lines":
                    outcome = run_lines(
                        run,
                        json_line
                        if as_json
                        else plain_writer(settings.found.value("display_unit")),
                        end,
                        idle=None if source is None else source.prompt_if_due,
                    )
                case "page":
                    outcome = run_on_page(
                        run,
                        address,
                        screen.options(where, bell=False),
                        trimmer=bench,
                        asked=screen.theme or settings.found.value("theme"),
                        ascii_only=screen.ascii,
                        cleanup=end,
                    )
                case "screen":
                    outcome = run_on_screen(
                        run,
                        screen.options(where),
                        trimmer=bench,
                        with_sound=sound,
                        message=". ".join((*opened.sentences, *opened.passed_over)),
                        cleanup=end,
                    )
        finally:
            code = end()
    for sentence in filter(None, (outcome.message, *run.missing())):
        narrate(sentence)
    return outcome.exit_code or code


def _front_end(
    *, plain: bool, as_json: bool, web: bool, sound: bool, screen: ScreenOptions
) -> FrontEnd:
    """Choose where the readings are shown.

    Raises:
        FileError: the configuration file can't be read.
        UsageError: options exclude each other, or keys of the screen can't be used.
    """
    refuse_together(("--plain", plain), ("--json", as_json), ("--web", web))
    refuse_together(("--sound", sound), ("--web", web))
    wants_lines = plain or as_json
    if web or (not wants_lines and can_show_screen()):
        check_keys(screen_settings())
        return "page" if web else "screen"
    if wants_lines or not sys.stdout.isatty():
        screen.refuse()
    if sound:
        raise UsageError("--sound goes with the screen: leave it out where lines are written.")
    return "lines"


def _served_address(address: str | None, port: int | None) -> ServedAddress:
    """Return the address to serve pages on; without a typed one, the loopback address."""
    with of_option("--web-address"):
        return parse_served_address(address or LOOPBACK, WEB_PORT if port is None else port)
