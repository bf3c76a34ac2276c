"""GeoTIFF: what is damaged, missing or foreign must show, and only the window is read."""

from __future__ import annotations

import random
import struct
import tracemalloc
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from rasterio.errors import NotGeoreferencedWarning

from lotflow.errors import InputError
from lotflow.inputs.elevation import inspect_elevation, read_elevation
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.open import sniff
from lotflow.inputs.raster_header import Window
from lotflow.inputs.rasters import read_header, read_stored

MakeRaster = Callable[..., Path]


def stored(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> np.ndarray:
    """Read all cells of a raster as they are stored."""
    header = read_header(path, limits)
    return read_stored(header, header.window, limits)


def tiff_header(width: int, height: int, *, bits: int = 32) -> bytes:
    """Build a TIFF of 10 tags and no data: one strip per row is claimed."""
    tags = [(256, 4, width), (257, 4, height), (258, 3, bits), (259, 3, 1), (262, 3, 1),
            (273, 4, 8), (277, 3, 1), (278, 4, 1), (279, 4, 0), (339, 3, 3)]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in tags)
    return b"II*\0" + struct.pack("<IH", 8, len(tags)) + entries + bytes(4)


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"predictor": 3},
        {"tiled": False},
        {"compress": None},
        {"compress": None, "tiled": False},
        {"compress": "lzw"},
        {"compress": "zstd"},
        {"BIGTIFF": "YES"},
        {"ENDIANNESS": "BIG"},
        {"dtype": "float64"},
        {"driver": "COG", "tiled": None, "blockxsize": None, "blockysize": None},
    ],
)
def test_every_way_of_storing_gives_the_same_numbers(
    make_raster: MakeRaster, ground: np.ndarray, given: dict[str, Any]
) -> None:
    """Compression, predictor, tiles or strips, byte order and BigTIFF change nothing."""
    given = {key: value for key, value in given.items() if value is not None or key == "compress"}
    if given.get("driver") == "COG":
        source = make_raster("plain.tif")
        path = source.with_name("dem.tif")
        with rasterio.open(source) as plain:
            profile = {**plain.profile, "driver": "COG"}
            profile = {k: v for k, v in profile.items() if k not in ("tiled", "interleave")}
            profile = {k: v for k, v in profile.items() if not k.startswith("block")}
            with rasterio.open(path, "w", **profile) as cog:
                cog.write(plain.read())
    else:
        path = make_raster(**given)
    np.testing.assert_array_equal(stored(path), ground)


def test_a_window_is_those_cells(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """A window across blocks gives the same cells as the whole."""
    header = read_header(make_raster(), DEFAULT_LIMITS)
    window = Window(20, 45, 30, 71)
    np.testing.assert_array_equal(read_stored(header, window, DEFAULT_LIMITS), ground[20:45, 30:71])


def test_a_truncated_file_is_refused(make_raster: MakeRaster) -> None:
    """A download that stopped early does not read."""
    path = make_raster()
    data = path.read_bytes()
    for share in (0.3, 0.6, 0.95):
        path.write_bytes(data[: int(len(data) * share)])
        with pytest.raises(InputError, match="could not be read"):
            stored(path)


def test_a_file_cut_within_its_last_tag_is_said(make_raster: MakeRaster) -> None:
    """Where the library only logs that it ignores a tag, a finding says so."""
    path = make_raster()
    path.write_bytes(path.read_bytes()[:-10])
    header = read_header(path, DEFAULT_LIMITS)
    assert header.unit == ""
    assert [(found.rule, found.severity) for found in header.findings] == [
        ("raster-header", "warn")
    ]
    assert "GDALMetadata" in header.findings[0].facts["warning"]


@pytest.mark.parametrize("seed", range(60))
def test_no_damage_of_deflate_blocks_reads_silently_different(
    make_raster: MakeRaster, ground: np.ndarray, seed: int
) -> None:
    """A mutant either is refused or gives the same numbers; the library alone lets some pass."""
    path = make_raster(predictor=3)
    data = bytearray(path.read_bytes())
    chance = random.Random(seed)
    with rasterio.open(path) as dataset:
        first = int(dataset.get_tag_item("BLOCK_OFFSET_0_0", "TIFF", bidx=1))
    place = chance.randrange(first, len(data))
    if seed % 3 == 0:
        data[place] ^= 1 << chance.randrange(8)
    elif seed % 3 == 1:
        data[place : place + 8] = chance.randbytes(8)[: len(data) - place]
    else:
        data[place : place + 64] = bytes(min(64, len(data) - place))
    path.write_bytes(data)
    try:
        numbers = stored(path)
    except InputError:
        return  # refused, as it should
    np.testing.assert_array_equal(numbers, ground)


def test_a_flipped_bit_that_the_library_reads_is_refused(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """One of the bits that the library reads as another elevation, without a word."""
    path = make_raster()
    data = path.read_bytes()
    with rasterio.open(path) as dataset:
        start = int(dataset.get_tag_item("BLOCK_OFFSET_0_0", "TIFF", bidx=1))
        size = int(dataset.get_tag_item("BLOCK_SIZE_0_0", "TIFF", bidx=1))
    for place in range(start + size // 2, start + size):
        path.write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
        try:
            with rasterio.open(path) as dataset:
                silent = not np.array_equal(dataset.read(1), ground)
        except rasterio.errors.RasterioIOError:
            continue
        if silent:
            break
    else:
        pytest.fail("the library refused every flipped bit; the check is no longer needed")
    with pytest.raises(InputError, match="the block at row 1, column 1 is damaged"):
        stored(path)


def test_a_block_that_was_never_written_is_missing(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """A sparse file has no zeros where it has nothing."""
    path = make_raster("whole.tif")
    with rasterio.open(path) as whole:
        profile = {**whole.profile, "SPARSE_OK": True}
    sparse = path.with_name("sparse.tif")
    with rasterio.open(sparse, "w", **profile) as dataset:
        dataset.write(ground[:32, 32:64], 1, window=((0, 32), (32, 64)))
    numbers = stored(sparse)
    np.testing.assert_array_equal(numbers[:32, 32:64], ground[:32, 32:64])
    assert np.isnan(numbers).sum() == ground.size - 32 * 32


def test_a_header_without_data_is_missing_not_zero(tmp_path: Path) -> None:
    """A tiny file that claims a million rows of nothing costs nothing, and holds no zeros."""
    path = tmp_path / "dem.tif"
    path.write_bytes(tiff_header(1000, 1000))
    path.with_suffix(".tfw").write_text("0.5\n0\n0\n-0.5\n321600.25\n4297799.75\n")
    path.with_suffix(".prj").write_text(rasterio.CRS.from_epsg(26918).to_wkt())
    header = read_header(path, DEFAULT_LIMITS)
    assert np.isnan(read_stored(header, Window(0, 50, 0, 50), DEFAULT_LIMITS)).all()


@pytest.mark.parametrize("size", [1_000_000, 30_000])
def test_a_huge_header_is_refused_before_memory_is_taken(tmp_path: Path, size: int) -> None:
    """A header that claims more than is read at once is refused within a few megabytes."""
    path = tmp_path / "dem.tif"
    path.write_bytes(tiff_header(size, size))
    path.with_suffix(".tfw").write_text("0.5\n0\n0\n-0.5\n321600.25\n4297799.75\n")
    path.with_suffix(".prj").write_text(rasterio.CRS.from_epsg(26918).to_wkt())
    tracemalloc.start()
    with pytest.raises(InputError):
        stored(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 30e6


@pytest.mark.parametrize(
    ("limits", "name"),
    [
        (Limits(window_cells=4799), "window_cells"),
        (Limits(block_cells=1023), "block_cells"),
        (Limits(decoded_bytes=6 * 32 * 32 * 4 - 1), "decoded_bytes"),
    ],
)
def test_each_limit_holds_to_the_cell(make_raster: MakeRaster, limits: Limits, name: str) -> None:
    """60 by 80 cells in 2 by 3 blocks of 32 by 32 pass their exact limits, and not one less."""
    path = make_raster()
    exact = Limits(window_cells=4800, block_cells=1024, decoded_bytes=6 * 32 * 32 * 4)
    assert stored(path, limits=exact).shape == (60, 80)
    with pytest.raises(InputError, match=f"more than the limit {name} = "):
        stored(path, limits=limits)


def test_a_vrt_named_like_a_raster_is_refused(make_raster: MakeRaster, tmp_path: Path) -> None:
    """A virtual raster that points to another file is not followed, whatever its name."""
    target = make_raster("target.tif")
    path = tmp_path / "dem.tif"
    path.write_text(
        '<VRTDataset rasterXSize="80" rasterYSize="60"><VRTRasterBand dataType="Float32" band="1">'
        f"<SimpleSource><SourceFilename>{target}</SourceFilename></SimpleSource>"
        "</VRTRasterBand></VRTDataset>"
    )
    with pytest.raises(InputError, match="virtual raster"):
        read_header(path, DEFAULT_LIMITS)


def test_files_beside_change_nothing(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """An .aux.xml, .msk and .ovr beside a raster that says everything itself are not used."""
    path = make_raster()
    path.with_name("dem.tif.aux.xml").write_text(
        "<PAMDataset><SRS>EPSG:32633</SRS><GeoTransform>0,1,0,0,0,-1</GeoTransform>"
        "<PAMRasterBand band='1'><NoDataValue>19.987</NoDataValue></PAMRasterBand></PAMDataset>"
    )
    mask = make_raster("mask.tif", np.zeros((60, 80), "uint8"), unit=None)
    mask.rename(path.with_name("dem.tif.msk"))
    path.with_suffix(".prj").write_text("nonsense")
    path.with_suffix(".tfw").write_text("nonsense")
    header = read_header(path, DEFAULT_LIMITS)
    assert (header.crs.to_epsg(), header.transform.c, header.nodata) == (26918, 321_600.0, None)
    assert header.findings == ()
    np.testing.assert_array_equal(stored(path), ground)


def test_projection_and_world_file_are_read_only_where_needed(make_raster: MakeRaster) -> None:
    """A raster without CRS and transform takes them from beside, and says so."""
    path = make_raster(crs=None, transform=None, unit=None)
    path.with_suffix(".tfw").write_text("0.5\n0.0\n0.0\n-0.5\n321600.25\n4297799.75\n")
    path.with_suffix(".prj").write_text(rasterio.CRS.from_epsg(26918).to_wkt(version="WKT1_ESRI"))
    header = read_header(path, DEFAULT_LIMITS)
    assert header.crs.to_epsg() == 26918
    assert header.transform == Affine(0.5, 0.0, 321_600.0, 0.0, -0.5, 4_297_800.0)
    assert [finding.rule for finding in header.findings] == ["side-file", "side-file"]
    assert [finding.facts["file"] for finding in header.findings] == ["dem.tfw", "dem.prj"]
    assert [finding.facts["crs"] for finding in header.findings] == ["", header.crs.name]


def test_a_projection_file_must_hold_a_crs_of_the_earth(make_raster: MakeRaster) -> None:
    """The grid of a building site, or text that is no WKT, places nothing on a map."""
    path = make_raster(crs=None)
    for text in ('LOCAL_CS["site",UNIT["metre",1]]', "Projection UTM\nZone 18"):
        path.with_suffix(".prj").write_text(text)
        with pytest.raises(InputError, match=r"dem\.prj: the file could not be read"):
            read_header(path, DEFAULT_LIMITS)


def test_a_layer_is_no_raster(tmp_path: Path) -> None:
    """The elevation raster must not be the lot."""
    path = tmp_path / "lot.geojson"
    path.write_text('{"type": "FeatureCollection", "features": []}')
    with pytest.raises(InputError, match="this is a vector file"):
        read_header(path, DEFAULT_LIMITS)


def test_a_raster_without_crs_is_refused(make_raster: MakeRaster) -> None:
    """No CRS is assumed, and an .aux.xml that may hold one is said not to be used."""
    path = make_raster(crs=None)
    with pytest.raises(InputError, match=r"has no coordinate reference system\. Assign"):
        read_header(path, DEFAULT_LIMITS)
    path.with_name("dem.tif.aux.xml").write_text("<PAMDataset></PAMDataset>")
    with pytest.raises(InputError, match=r"dem\.tif\.aux\.xml beside it is never used"):
        read_header(path, DEFAULT_LIMITS)


def test_a_raster_without_transform_is_refused(make_raster: MakeRaster) -> None:
    """A raster that lies nowhere is refused."""
    with pytest.raises(InputError, match="does not say where it lies"):
        read_header(make_raster(transform=None), DEFAULT_LIMITS)


@pytest.mark.parametrize("interleave", ["pixel", "band"])
def test_of_several_bands_the_first_is_read(
    make_raster: MakeRaster, ground: np.ndarray, interleave: str
) -> None:
    """The first band is elevation, whichever way bands are interleaved."""
    bands = np.stack([ground, np.zeros_like(ground)])
    path = make_raster(values=bands, interleave=interleave)
    np.testing.assert_array_equal(stored(path), ground)
    rules = [finding.rule for finding in inspect_elevation([path]).findings]
    assert rules == ["several-bands"]


def test_what_holds_no_elevations_is_refused(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """Complex numbers and pictures are not taken for elevations."""
    with pytest.raises(InputError, match="complex"):
        read_header(make_raster(values=ground.astype("complex64")), DEFAULT_LIMITS)
    picture = np.zeros((3, 60, 80), "uint8")
    with pytest.raises(InputError, match="a picture"):
        read_header(make_raster(values=picture, photometric="RGB"), DEFAULT_LIMITS)


def test_a_mask_inside_the_file_is_respected(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """Masked cells are missing, and damage of the mask is seen."""
    mask = np.ones(ground.shape, bool)
    mask[5:9, 40:50] = False
    path = make_raster(mask=mask)
    np.testing.assert_array_equal(np.isnan(stored(path)), ~mask)
    data = path.read_bytes()
    with (
        warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
        rasterio.open(f"GTIFF_DIR:2:{path}") as image,
    ):
        place = int(image.get_tag_item("BLOCK_OFFSET_1_0", "TIFF", bidx=1)) + 8
    path.write_bytes(data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :])
    with pytest.raises(InputError, match="could not be read"):
        stored(path)


@pytest.mark.parametrize(
    "name",
    [
        "summary.txt",
        "SUMMARY.TXT",
        "dem.RPB",
        "dem.rpb",
        "dem_RPC.TXT",
        "dem.IMD",
        "dem_metadata.xml",
        "METADATA.DIM",
        "dem.pvl",
    ],
)
def test_what_lies_beside_a_masked_raster_is_nothing_to_it(
    make_raster: MakeRaster, ground: np.ndarray, name: str
) -> None:
    """Names that the library takes for a satellite's own files."""
    mask = np.ones(ground.shape, bool)
    mask[5:9, 40:50] = False
    path = make_raster("dem.tif", mask=mask)
    (path.parent / name).write_text("notes of a person, or BEGIN_GROUP = IMAGE\nEND;\n")
    np.testing.assert_array_equal(np.isnan(stored(path)), ~mask)


def test_an_alpha_band_is_a_mask(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """Cells that the alpha band leaves out are missing."""
    alpha = np.full_like(ground, 255)
    alpha[0, :7] = 0
    path = make_raster(values=np.stack([ground, alpha]), ALPHA="YES")
    assert np.isnan(stored(path)).sum() == 7


def test_a_number_that_is_no_number_at_all_is_missing(make_raster: MakeRaster) -> None:
    """Damage can make a NaN of the kind that warns when it is widened."""
    path = make_raster(compress=None)
    with rasterio.open(path) as dataset:
        start = int(dataset.get_tag_item("BLOCK_OFFSET_0_0", "TIFF", bidx=1))
    data = path.read_bytes()
    path.write_bytes(data[:start] + struct.pack("<I", 0x7F800001) + data[start + 4 :])
    assert np.isnan(stored(path)).sum() == 1


def test_a_file_that_changes_meanwhile_is_refused(make_raster: MakeRaster) -> None:
    """What was inspected must be what is read."""
    path = make_raster()
    source = inspect_elevation([path])
    make_raster(values=np.full((60, 80), 3.0, "float32"))
    with pytest.raises(InputError, match="changed while it was read"):
        read_elevation(source, source.bounds)


def test_the_file_and_its_folder_stay_as_they_are(make_raster: MakeRaster) -> None:
    """Reading writes no side file and touches no byte."""
    path = make_raster()
    before = {file.name: (file.read_bytes(), file.stat().st_mtime_ns)
              for file in path.parent.iterdir()}  # fmt: skip
    assert sniff(path) == "geotiff"
    stored(path)
    after = {file.name: (file.read_bytes(), file.stat().st_mtime_ns)
             for file in path.parent.iterdir()}  # fmt: skip
    assert before == after
