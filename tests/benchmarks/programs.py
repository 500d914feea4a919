"""Versions of the program that a benchmark runs: environments built from the repository's history,
and runs in fresh processes with their time and memory.

This module imports nothing large: a process starts with the peak memory of the one that started it.
"""

from __future__ import annotations

import contextlib
import os
import platform
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from wakesim.runtime import cache_folder

ROOT = Path(__file__).resolve().parents[2]
BEFORE = "32a19e3"  # the commit that speed is measured against
LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "h5py", "matplotlib", "pydantic", "jinja2")
ONE_THREAD = dict.fromkeys(
    ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"
)
_MOST_COMPILED = 4  # times that one run is repeated because it compiled


@dataclass(frozen=True)
class Used:
    """What a run used: wall clock and processor time in s, peak memory of its largest process."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(frozen=True)
class Program:
    """A version: its interpreter, the folder of its package, and of the cases it came with."""

    python: Path
    package: Path
    cases: Path

    def case_text(self, name: str) -> str:
        """An example case as this version has it."""
        return (self.cases / f"{name}.toml").read_text(encoding="utf-8")

    def run(
        self,
        text: str,
        arguments: Sequence[str] = (),
        *,
        variables: Mapping[str, str] | None = None,
        kept: Path | None = None,
        keep: Path | None = None,
        output: Path | None = None,
    ) -> Used:
        """Run a case in a fresh process, once more where kernels were compiled meanwhile.

        The run finds what earlier ones kept on disk in ``kept``, which stays as it is, or nothing.
        What it kept itself goes to ``keep``, and its results to ``output``: folders, or nowhere.
        Raises RuntimeError with what the program said when it fails.
        """
        for _ in range(_MOST_COMPILED):
            began = time.time()
            with tempfile.TemporaryDirectory(prefix="wakesim-benchmark-") as name:
                place = Path(name)
                if kept is not None:
                    shutil.copytree(kept, place / "kept")
                used = self._run_in(place, text, arguments, variables or {})
                if self._compiled_since(began):
                    continue
                for part, to in (("kept", keep), ("results", output)):
                    if to is not None and (place / part).is_dir():
                        shutil.copytree(place / part, to, dirs_exist_ok=True)
                return used
        raise RuntimeError("every run compiles kernels: is the folder of the package read-only?")

    def _run_in(
        self, place: Path, text: str, arguments: Sequence[str], variables: Mapping[str, str]
    ) -> Used:
        (place / "case.toml").write_text(text, encoding="utf-8")
        command = [str(self.python), "-m", "wakesim", "run", "case.toml", "-o", "results"]
        environment = {k: v for k, v in os.environ.items() if not k.startswith("WAKESIM_")}
        environment |= {"WAKESIM_CACHE": str(place / "kept")}
        environment |= {"PYTHONPATH": str(self.package.parent)}
        with (place / "said").open("w+b") as said:
            began = time.perf_counter()
            process = subprocess.Popen(
                [*command, *arguments], cwd=place, env=environment | dict(variables),
                stdin=subprocess.DEVNULL, stdout=said, stderr=said,
            )  # fmt: skip
            status, usage = _wait(process)
            wall = time.perf_counter() - began
            said.seek(0)
            if status:
                words = said.read().decode(errors="replace")[-3000:]
                raise RuntimeError(f"a run ended with status {status}:\n{words}")
        unit = 1.0 if sys.platform == "darwin" else 1024.0  # of ru_maxrss, in bytes
        return Used(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * unit / 1e6)

    def _compiled_since(self, when_s: float) -> bool:
        """Whether numba wrote a kernel to disk since then."""
        places = [self.package, Path(os.environ.get("NUMBA_CACHE_DIR", self.package))]
        for place in places:
            for path in place.rglob("*.nbc"):
                with contextlib.suppress(OSError):
                    if path.stat().st_mtime >= when_s:
                        return True
        return False


def _wait(process: subprocess.Popen[bytes]):
    """Exit status and resources of a process and of those it waited for; ended with this one."""
    try:
        _, status, usage = os.wait4(process.pid, 0)
    except BaseException:
        process.send_signal(signal.SIGTERM)
        process.wait()
        raise
    process.returncode = os.waitstatus_to_exitcode(status)
    return process.returncode, usage


def this_program(root: Path = ROOT) -> Program:
    """The checkout that this file stands in, with the interpreter that runs it."""
    return Program(Path(sys.executable), root / "wakesim", root / "cases")


def program_of(commit: str, folder: Path | None = None) -> Program:
    """The program of a commit, in an environment of its own that is built once.

    ``folder``: where it is built and found again (default: below the user's cache folder). The
    libraries are those of the present interpreter, so that the program alone differs.
    """
    found = subprocess.run(
        ["git", "-C", str(ROOT), "rev-parse", "--verify", "--short=7", f"{commit}^{{commit}}"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    place = (folder or cache_folder() / "benchmarks") / found.stdout.strip()
    source, environment, done = place / "source", place / "environment", place / "libraries"
    pins = f"# Python {platform.python_version()}\n"
    pins += "".join(f"{name}=={metadata.version(name)}\n" for name in LIBRARIES)
    if not done.is_file() or done.read_text(encoding="utf-8") != pins:
        print(f"building the program of {commit} ...", file=sys.stderr, flush=True)
        shutil.rmtree(place, ignore_errors=True)
        source.mkdir(parents=True)
        packed = place / "source.tar"
        subprocess.run(
            ["git", "-C", str(ROOT), "archive", "-o", str(packed), commit], check=True
        )  # fmt: skip
        shutil.unpack_archive(packed, source, "tar", filter="data")
        packed.unlink()
        subprocess.run([sys.executable, "-m", "venv", str(environment)], check=True)
        (place / "pins.txt").write_text(pins, encoding="utf-8")
        install = ["-m", "pip", "install", "-qq", "--disable-pip-version-check", "-c"]
        subprocess.run(
            [str(_python(environment)), *install, str(place / "pins.txt"), str(source)],
            check=True, stdout=sys.stderr,
        )  # fmt: skip
        done.write_text(pins, encoding="utf-8")
    asked = "import wakesim, pathlib; print(pathlib.Path(wakesim.__file__).parent)"
    package = subprocess.run(
        [str(_python(environment)), "-I", "-c", asked], check=True, capture_output=True, text=True
    )
    return Program(_python(environment), Path(package.stdout.strip()), source / "cases")


def _python(environment: Path) -> Path:
    return environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
