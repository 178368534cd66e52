"""What the layer refuses; what it writes is read back in the tests of the formats."""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np
import pytest

from fieldproc.results.netcdf_layer import Variable, netcdf_file

LINE = Variable("line", ("x",), np.arange(3.0))


@pytest.mark.parametrize(
    ("variables", "attributes", "message"),
    [
        ([LINE, LINE], {}, '"line" is taken'),
        ([Variable("a/b", ("x",), np.zeros(3))], {}, '"a/b" is no name'),
        ([Variable("line", ("x",), np.zeros(4))], {}, "shape"),
        ([], {"a b": 1}, '"a b" is no name'),
        ([Variable("line", ("x",), np.zeros(3), {"": "text"})], {}, '"" is no name'),
    ],
)
def test_refused(variables: list[Variable], attributes: dict[str, int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        netcdf_file({"x": 3}, variables, attributes)


@pytest.mark.parametrize("shape", [(1, 40, 300), (300, 40), (20_000,), (2, 100_000)])
def test_large_arrays_are_packed_and_read_back(tmp_path: Path, shape: tuple[int, ...]) -> None:
    values = np.random.default_rng(1).normal(size=shape)
    names = tuple("abc"[: len(shape)])
    path = tmp_path / "large.nc"
    path.write_bytes(netcdf_file(dict(zip(names, shape, strict=True)), [Variable("v", names, values)], {}))
    with netCDF4.Dataset(path) as file:
        variable = file["v"]
        assert (variable.filters()["zlib"], variable.filters()["shuffle"]) == (True, True)
        assert variable.dimensions == names
        assert np.array_equal(variable[:].data, values)


def test_the_order_is_that_of_making(tmp_path: Path) -> None:
    variables = [Variable("zebra", ("y",), np.zeros(2)), Variable("ape", ("x", "y"), np.zeros((3, 2))), LINE]
    path = tmp_path / "order.nc"
    path.write_bytes(netcdf_file({"y": 2, "x": 3}, variables, {"second": 2, "first": "one"}))
    with netCDF4.Dataset(path) as file:
        assert list(file.dimensions) == ["y", "x"]
        assert list(file.variables) == ["zebra", "ape", "line"]
        assert file.ncattrs() == ["second", "first"]
