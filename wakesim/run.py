"""One case from start to end."""

from __future__ import annotations

from pathlib import Path

from wakesim.case.schema import Case
from wakesim.progress import Progress, forward_only, silent
from wakesim.results import GridResult, Result
from wakesim.studies.registry import Options, find


def run(
    case: Case,
    progress: Progress | None = None,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    folder: str | Path | None = None,
) -> Result | GridResult:
    """Compute everything a case asks for.

    ``progress(share, text)`` is called with the share done (0 to 1) and what is being done.
    Samples of an uncertain yield and the states of tables and maps are shared out to ``workers``
    processes (default: one for what is short), or to a Dask ``cluster`` by the address of its
    scheduler, and kept in ``folder``, where a later run of the same case finds
    them; without a folder they are not kept. A study of many states returns a GridResult, whose
    ``failed`` lists points that could not be computed.
    Raises CaseError for traffic that is not possible, NumericalError when a result is not finite.
    """
    report = silent if progress is None else forward_only(progress)
    options = Options(workers, cluster, None if folder is None else Path(folder))
    result = find(case.study)(case, options, report)
    report(1.0, "done")
    return result
