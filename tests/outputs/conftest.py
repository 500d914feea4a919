"""Results and saved folders shared by the tests of the outputs."""

from __future__ import annotations

import pytest
from synthetic_result import build_result, single_pass_text, traffic_text

from wakesim import results


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
