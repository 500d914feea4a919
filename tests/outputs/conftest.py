"""Results and saved folders shared by the tests of the outputs."""

from __future__ import annotations

from pathlib import Path

import pytest
from synthetic_result import build_result, single_pass_text, traffic_text

from wakesim import results
from wakesim.outputs.figures import Rendered, slugs


@pytest.fixture(scope="session")
def traffic_result() -> results.Result:
    return build_result(traffic_text())


@pytest.fixture(scope="session")
def pass_result() -> results.Result:
    return build_result(single_pass_text())


@pytest.fixture(scope="session")
def saved_traffic(traffic_result, tmp_path_factory):
    """Folder with everything written for the traffic study."""
    folder = tmp_path_factory.mktemp("traffic") / "out"
    traffic_result.save(folder)
    return folder


@pytest.fixture(scope="session")
def saved_pass(pass_result, tmp_path_factory):
    """Folder with everything written for the single-pass study."""
    folder = tmp_path_factory.mktemp("pass") / "out"
    pass_result.save(folder)
    return folder


@pytest.fixture
def plain_figures(monkeypatch):
    """Two small stand-ins a mount in place of the real figures, which take most of a save."""

    def render(result, folder: Path):
        rendered = []
        for slug, mount in zip(slugs(result), result.mounts, strict=True):
            kinds = ["signature", "spectrum"] if mount.statistics else ["signature"]
            for kind in kinds:
                svg = f'<svg viewBox="0 0 1 1"><desc>{slug} {kind}</desc></svg>'
                (folder / f"{slug}-{kind}.svg").write_text(svg, encoding="utf-8")
                (folder / f"{slug}-{kind}.png").write_bytes(b"PNG of " + svg.encode())
                rendered.append(Rendered(f"{slug}-{kind}", kind, mount.mount.name, "", svg))
        return rendered

    monkeypatch.setattr("wakesim.outputs.figures.render_figures", render)
