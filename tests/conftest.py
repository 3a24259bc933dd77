"""What all tests share: a store of their own, so that they never touch the user's."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from fitcheck.store.location import STORE_VARIABLE


@pytest.fixture(scope="session", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(STORE_VARIABLE, str(tmp_path_factory.mktemp("store") / "store"))
        yield
