"""`python -m photoaz.accuracy`: draw sites, solve them, and write the accuracy page."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import click

from photoaz import __version__
from photoaz.accuracy.page import Made, Rendered, page
from photoaz.accuracy.trial import Outcome, Task, trials

#: sites handed to a process at a time
CHUNK = 8


def outcomes_of(seed: int, sites: int, jobs: int = 1) -> tuple[Outcome, ...]:
    """Draw and solve sites 0 to `sites` - 1; the same whatever the number of processes."""
    from photoaz.audit.executors import crew

    tasks = [Task(seed=seed, numbers=tuple(range(k, min(k + CHUNK, sites)))) for k in range(0, sites, CHUNK)]
    out: list[Outcome] = []
    with crew(jobs, None) as hands:
        for done in hands.do(trials, tasks):
            if done.result is None:
                raise click.ClickException(f"sites {done.task.numbers[0]} and following: {done.died}")
            out += done.result
    return tuple(sorted(out, key=lambda o: o.number))


@click.command()
@click.option("--sites", default=600, show_default=True, type=click.IntRange(3), help="How many sites to draw.")
@click.option("--seed", default=20260, show_default=True, type=int, help="Of the random numbers.")
@click.option("--jobs", default=2, show_default=True, type=click.IntRange(1), help="Processes.")
@click.option("--sample/--no-sample", default=True, show_default=True, help="Solve the sample site too.")
@click.option(
    "--practice",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of rendered cases (truth.json, register.csv, photos) to be solved too.",
)
@click.option(
    "--remarks",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Markdown file with what is to be said of what is out of line.",
)
@click.option(
    "--out",
    default=Path("ACCURACY.md"),
    show_default=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="The page.",
)
def main(
    sites: int, seed: int, jobs: int, sample: bool, practice: Path | None, remarks: Path | None, out: Path
) -> None:
    """Hold what photoaz states of its figures against the truth of drawn sites, and write the accuracy page.

    \b
    Example:
      python -m photoaz.accuracy --sites 60 --no-sample --out trial.md
    """
    from photoaz.accuracy.rendered import against_truth, practice_antennas, sample_solution
    from photoaz.sample import sample_dir

    began = time.monotonic()
    outcomes = outcomes_of(seed, sites, jobs)
    seconds = time.monotonic() - began
    click.echo(f"{sites} sites: {seconds:.0f} s", err=True)
    rendered = Rendered()
    if sample or practice is not None:
        antennas, photos = against_truth(sample_solution(), sample_dir()) if sample else ((), ())
        cases = () if practice is None else practice_antennas(practice, lambda text: click.echo(text, err=True))
        rendered = Rendered(sample=antennas, sample_photos=photos, practice=cases)
    made = Made(day=datetime.now(UTC).date(), version=__version__, seed=seed, seconds=seconds, jobs=jobs)
    said = "" if remarks is None else remarks.read_text(encoding="utf-8")
    out.write_text(page(outcomes, made, rendered, said), encoding="utf-8")
    click.echo(f"the page: {out}", err=True)


if __name__ == "__main__":
    main()
