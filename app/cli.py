"""The command line: measure photos, serve the pages, show the demo.

``kneelturn measure`` is a contract that others script against: options, exit codes and JSON stay as they are
within a major version. Exit codes: 0 measured, 2 bad usage, 3 no angle could be measured.
"""

import contextlib
import io
import json
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich import box
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table

from app.security.commands import members
from vision.finders import Finders

if TYPE_CHECKING:  # the measuring parts load slowly and only "measure" needs them
    from vision.measuring import MeasuredTrial, Measurement
    from vision.measuring import Progress as Told

NOTHING_MEASURABLE = 3

main = typer.Typer(
    name="kneelturn",
    help="Measures trunk rotation in the heel-sit kneeling position from photos, left against right.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


main.add_typer(members, name="members")


@main.command()
def measure(
    start: Annotated[
        str | None, typer.Option(metavar="FILE[,FILE]", help="Photo of the start position, before turning.")
    ] = None,
    left: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FILE[,FILE]",
            help="Photo at end range with the chest opened to the person's own left. Repeat the option for further "
            "trials; join photos of the same trial from other viewpoints with commas.",
        ),
    ] = None,
    right: Annotated[list[str] | None, typer.Option(metavar="FILE[,FILE]", help="The same for the right.")] = None,
    breadth_mm: Annotated[
        float | None,
        typer.Option(min=200, max=600, help="Tape-measured shoulder breadth (acromion to acromion), millimetres."),
    ] = None,
    finders: Annotated[
        Finders,
        typer.Option(
            help="Ways of finding the body: the network made for this position checked by the general pose model, or "
            "one of the two alone."
        ),
    ] = Finders.BOTH,
    json_to: Annotated[
        str | None,
        typer.Option(
            "--json", metavar="PATH|-", help="Write the result as JSON to a file, or with - to standard output."
        ),
    ] = None,
    overlay: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write each photo with its lines drawn into this folder.")
    ] = None,
) -> None:
    """Measure photos of one person and compare left with right.

    Exit code 0: at least one angle was measured; 2: bad usage; 3: no angle could be measured, the findings say why.
    """
    start_views = _views(start, "--start") if start is not None else None
    left_trials = [_views(given, "--left") for given in left or []]
    right_trials = [_views(given, "--right") for given in right or []]
    if not (start_views or left_trials or right_trials):
        raise typer.BadParameter("give at least one photo with --start, --left or --right", param_hint="--left")
    if json_to is not None and json_to != "-":
        _check_writable(Path(json_to))
    if overlay is not None:
        _make_folder(overlay)

    from vision.by_hand import TAPE_SD_MM
    from vision.measuring import measure as measure_photos
    from vision.report_json import report
    from vision.two_eyes import default_finders

    with _progress() as told:
        result = measure_photos(
            start_views,
            left_trials,
            right_trials,
            breadth_mm=None if breadth_mm is None else (breadth_mm, TAPE_SD_MM),
            finders=default_finders(finders),
            progress=told,
        )

    if overlay is not None:
        _write_overlays(result, overlay)
    if json_to is not None:
        text = json.dumps(report(result), indent=2, allow_nan=False) + "\n"  # ASCII: safe in any locale
        if json_to == "-":
            sys.stdout.write(text)
        else:
            Path(json_to).write_text(text, encoding="utf-8")
    if json_to != "-":
        _print(result)
    if not result:
        raise typer.Exit(NOTHING_MEASURABLE)


@main.command()
def schema() -> None:
    """Print the JSON Schema of what "measure --json" writes."""
    from vision.report_json import schema as json_schema

    sys.stdout.write(json.dumps(json_schema(), indent=2) + "\n")


@main.command()
def agreement(
    study: Annotated[
        Path,
        typer.Argument(
            metavar="FILE.csv",
            help="Readings of one side, one a line: person,rater,day,angle_deg, trials in the order taken.",
        ),
    ],
    trials: Annotated[int, typer.Option(min=1, help="Trials of each person by each rater on each day.")] = 3,
) -> None:
    """Compute a practice's own standard error of measurement from its agreement study.

    Exit code 0: computed; 2: bad usage; 3: the readings do not allow it, the message says why.
    """
    from app.study import FEW_PEOPLE, read_study, standard_errors, study_of
    from vision.errors import KneelturnError

    try:
        found = study_of(read_study(study.read_text(encoding="utf-8-sig")), trials)
    except (OSError, UnicodeDecodeError) as problem:
        raise typer.BadParameter(f"{study} cannot be read as a table: {problem}", param_hint="FILE.csv") from problem
    except KneelturnError as problem:
        sys.stderr.write(f"{problem}\n")
        raise typer.Exit(NOTHING_MEASURABLE) from problem

    console = Console(width=None if sys.stdout.isatty() else 110, highlight=False, markup=False)
    table = Table(box=box.SIMPLE_HEAD)
    table.add_column(f"compared: means of {found.trials} trials")
    for heading in ("SEM", "95 % interval", "MDC90", "MDC95"):
        table.add_column(heading, justify="right")
    for line in standard_errors(found):
        error, interval = line.error, line.error.interval_deg
        table.add_row(
            line.question,
            f"{error.sem_deg:.1f}°",
            f"{interval.low:.1f}° to {interval.high:.1f}°",
            f"{error.mdc90_deg:.1f}°",
            f"{error.mdc95_deg:.1f}°",
        )
    console.print(table)
    console.print(f"{found.people} people, {found.raters} raters, {found.days} days; mean {found.mean_deg:.1f}°.")
    if found.people_left_out:
        console.print(f"Left out, readings incomplete: {', '.join(found.people_left_out)}.")
    if found.people < FEW_PEOPLE:
        console.print(f"Fewer than {FEW_PEOPLE} people: read the intervals, not only the SEM.")


@main.command()
def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on; KNEELTURN_HOST if not given.")] = None,
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="Port; KNEELTURN_PORT if not given.")] = None,
    data: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder of the database and the photos; KNEELTURN_DATA_FOLDER.")
    ] = None,
    finders: Annotated[
        Finders | None, typer.Option(help="Ways of finding the body, as for measure; KNEELTURN_FINDERS.")
    ] = None,
) -> None:
    """Serve the pages of a practice; every other setting is read from the environment."""
    from app.serving import serve as serve_pages
    from app.settings import Settings

    given = {"host": host, "port": port, "data_folder": data, "finders": finders}
    serve_pages(Settings(**{name: value for name, value in given.items() if value is not None}))  # type: ignore[arg-type]


@main.command()
def worker() -> None:
    """Measure the photos that a server with KNEELTURN_MEASURING_THREADS=0 takes in; settings from the environment."""
    from app.serving import work
    from app.settings import Settings

    work(Settings())


@main.command()
def demo(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 picks a free one.")] = 8000,
    data: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Keep the demo in this folder; a temporary one, removed at the end, if not given."
        ),
    ] = None,
) -> None:
    """Measure the sample pictures of an invented practice and serve its pages."""
    from app.serving import serve_demo

    with _progress() as told:
        run = serve_demo(host, port, data, told)
    run()


# ---- arguments


def _views(given: str, option: str) -> list[Path]:
    """Split the photos of one trial; a file whose own name has a comma in it is taken as it is."""
    names = [given] if Path(given).is_file() else [name.strip() for name in given.split(",")]
    for name in names:
        if not name:
            raise typer.BadParameter(f"a file name is missing in {given!r}", param_hint=option)
        if not Path(name).exists():
            raise typer.BadParameter(f"there is no file {name}", param_hint=option)
        if not Path(name).is_file():
            raise typer.BadParameter(f"{name} is not a file", param_hint=option)
    return [Path(name) for name in names]


def _check_writable(path: Path) -> None:
    if path.is_dir() or not path.parent.is_dir() or not os.access(path if path.exists() else path.parent, os.W_OK):
        raise typer.BadParameter(
            f"{path} cannot be written: its folder must exist and be yours to write", param_hint="--json"
        )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise typer.BadParameter(f"{folder} cannot be made: {error.strerror}", param_hint="--overlay") from error


# ---- output for people


@contextlib.contextmanager
def _progress() -> Iterator["Told"]:
    """Show progress on the standard error stream: a bar on a terminal, else one line a photo."""
    console = Console(stderr=True)
    if not console.is_terminal:

        def tell(done: int, total: int, name: str) -> None:
            if name:
                sys.stderr.write(f"measuring {done + 1} of {total}: {name}\n")

        yield tell
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=None)

        def show(done: int, total: int, name: str) -> None:
            bar.update(task, completed=done, total=total, description=Path(name).name or "done")

        yield show


def _print(result: "Measurement") -> None:
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a file name or a degree sign must not end in a stack trace
    console = Console(width=None if sys.stdout.isatty() else 110, highlight=False, markup=False)
    table = Table(box=box.SIMPLE_HEAD)
    for heading, align in (("photo", "left"), ("side", "left"), ("trial", "right"), ("rotation", "right")):
        table.add_column(heading, justify=align)  # type: ignore[arg-type]
    table.add_column("95 % band", justify="right")
    for trial in result.trials:
        for view, photo in enumerate(trial.photos):
            angle = _angle(trial) if view == 0 else ("same trial", "")
            table.add_row(photo.name, trial.side.value, str(trial.number), *angle)
    console.print(table)

    comparison = result.comparison
    summary = Table(box=None, show_header=False, pad_edge=True)
    for word, value, band in (
        ("left, mean", comparison.left_mean_deg, comparison.left_band_deg),
        ("right, mean", comparison.right_mean_deg, comparison.right_band_deg),
        ("left minus right", comparison.difference_deg, comparison.difference_band_deg),
    ):
        summary.add_row(word, *_figures(value, band, signed=word.startswith("left minus")))
    summary.add_row("decision", comparison.decision_words, "")
    console.print(summary)
    _print_findings(console, result)
    console.print(
        "\nThe angle is that of the shoulder line against the pelvis in this position, not of the spine alone. "
        "It informs; a licensed practitioner decides."
    )


def _angle(trial: "MeasuredTrial") -> tuple[str, str]:
    return _figures(trial.rotation.magnitude_deg, trial.rotation.band_deg)


def _figures(value: float | None, band: tuple[float, float] | None, *, signed: bool = False) -> tuple[str, str]:
    if value is None or band is None:
        return "not given", ""
    sign = "+" if signed else ""
    return f"{value:{sign}.1f}°", f"{band[0]:{sign}.1f}° to {band[1]:{sign}.1f}°"


def _print_findings(console: Console, result: "Measurement") -> None:
    from vision.report_json import photo_findings

    lines = [
        (f"{photo.name} ({trial.side})", finding)
        for trial in result.trials
        for photo in trial.photos
        for finding in photo_findings(trial, photo)
    ]
    lines += [("all photos", finding) for finding in result.findings]
    if not lines:
        return
    console.print("\nFindings")
    for about, found in lines:
        console.print(f"  {about}: {found.message} {found.advice}", soft_wrap=False)


def _write_overlays(result: "Measurement", folder: Path) -> None:
    from vision.draw import overlay

    for trial in result.trials:
        for view, photo in enumerate(trial.photos, 1):
            if photo.photo is None:
                continue
            picture = overlay(photo.photo, photo.landmarks, trial.rotation, photo.projected)
            which = f"{trial.side}-{trial.number}" + (f"-view{view}" if len(trial.photos) > 1 else "")
            picture.save(folder / f"{which}-{Path(photo.name).stem}.jpg", quality=90)


def run(arguments: Sequence[str] | None = None) -> None:
    """Run the command line with the given arguments, or those of the process."""
    main(args=list(arguments) if arguments is not None else None)


if __name__ == "__main__":
    run()
