"""Which files may be opened, and how a failure is told."""

from __future__ import annotations

import errno
import hashlib
import os
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from lotflow.errors import Fault, InputError
from lotflow.inputs.elevation import BackgroundHash
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.open import (
    beside,
    csv_rows,
    files_kept,
    hashes_of,
    kept_of,
    local_file,
    opened_once,
    read_bytes,
    reading,
    sha256,
    sha256_of,
    sniff,
)

VRT = '<VRTDataset rasterXSize="5" rasterYSize="5"></VRTDataset>'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("https://example.org/dem.tif", "a URL"),
        ("file:///tmp/dem.tif", "a URL"),
        ("/vsicurl/https://example.org/dem.tif", "a virtual path"),
        ("/vsizip/dem.zip/dem.tif", "a virtual path"),
        ("zip://dem.zip!dem.tif", "a URL"),
        ("GTIFF_DIR:1:dem.tif", "a prefix before a colon"),
        ("WMS:example.org", "a prefix before a colon"),
        (VRT, "the text of one"),
        ('{"type": "FeatureCollection", "features": []}', "the text of one"),
        ("dem.tif\nother", "the text of one"),
        ("Gr\udcf6sse/dem.tif", "no text in UTF-8"),
        ("", "nothing"),
    ],
)
def test_what_is_no_plain_path_is_refused(text: str, said: str) -> None:
    """URLs, virtual paths, prefixes and text are refused before anything is opened."""
    with pytest.raises(InputError, match="must be a file on this machine") as caught:
        local_file(text, "elevation raster")
    assert said in str(caught.value)


def test_a_missing_file_offers_a_name_alike(tmp_path: Path) -> None:
    """A misspelt name is answered with the name in the folder that is nearest."""
    (tmp_path / "elevation.tif").touch()
    with pytest.raises(InputError, match=r"does not exist. Did you mean 'elevation.tif'\?"):
        local_file(tmp_path / "elevatoin.tif", "elevation raster")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "is a folder"),
        ("nowhere/dem.tif", "nor does its folder"),
        ("pipe", "not a device or pipe"),
        ("xyz", "does not exist. Check the path"),
        ("dangling", "does not exist"),
    ],
)
def test_what_is_no_regular_file_is_refused(tmp_path: Path, name: str, said: str) -> None:
    """Folders, pipes and dangling links are told apart."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "dangling").symlink_to(tmp_path / "gone.tif")
    with pytest.raises(InputError, match=said):
        local_file(tmp_path / name, "elevation raster")


def test_a_file_is_returned_as_it_was_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A relative path stays relative, and a name may hold a colon where it cannot be a prefix."""
    (tmp_path / "lidar 10:30.tif").touch()
    monkeypatch.chdir(tmp_path)
    assert local_file("./lidar 10:30.tif", "elevation raster") == Path("lidar 10:30.tif")


@pytest.mark.parametrize(
    ("start", "kind"),
    [
        (b"II*\0", "geotiff"),
        (b"MM\0*", "geotiff"),
        (b"II+\0", "geotiff"),
        (b"MM\0+", "geotiff"),
        (b"ncols 4\nnrows 3\n", "ascii-grid"),
        (b"NCOLS        4\r\n", "ascii-grid"),
        (b"SQLite format 3\0" + bytes(52) + b"GPKG", "geopackage"),
        (b"SQLite format 3\0" + bytes(52) + b"GP10", "geopackage"),
        (b'\xef\xbb\xbf {"type": "Feature"}', "geojson"),
        (b"\0\0\x27\x0a" + bytes(96), "shapefile"),
    ],
)
def test_the_first_bytes_tell_the_kind(tmp_path: Path, start: bytes, kind: str) -> None:
    """The name of the file does not count."""
    file = tmp_path / "anything.xyz"
    file.write_bytes(start)
    assert sniff(file) == kind


@pytest.mark.parametrize(
    ("content", "looks"),
    [
        (VRT.encode(), "a virtual raster or layer"),
        (b'<?xml version="1.0"?>\n<OGRVRTDataSource/>', "a virtual raster or layer"),
        (b"<GDAL_WMS></GDAL_WMS>", "an XML file"),
        (b"<!DOCTYPE html><html></html>", "a web page"),
        (b"PK\x03\x04rest", "a zip archive"),
        (b"\x1f\x8b\x08", "a packed archive"),
        (b"version https://git-lfs.github.com/spec/v1", "Git LFS"),
        (b"SQLite format 3\0" + bytes(84), "no GeoPackage"),
        (b"\x89HDF\r\n", "HDF"),
        (b"LASF", "a point cloud"),
        (b"\x89PNG\r\n", "a picture"),
        (b"", "empty"),
        (b"hello", "no format that is known"),
    ],
)
def test_anything_else_is_refused_with_what_it_looks_like(
    tmp_path: Path, content: bytes, looks: str
) -> None:
    """A file that is not read is named for what it seems to be, whatever its ending."""
    file = tmp_path / "dem.tif"
    file.write_bytes(content)
    with pytest.raises(InputError, match=looks):
        sniff(file)


def test_a_zip_archive_named_like_a_raster_is_not_unpacked(tmp_path: Path) -> None:
    """A real archive is refused with the advice to unpack it."""
    with zipfile.ZipFile(tmp_path / "dem.tif", "w") as archive:
        archive.writestr("dem.tif", "x")
    with pytest.raises(InputError, match="Unpack it"):
        sniff(tmp_path / "dem.tif")


def test_a_file_is_read_whole_up_to_its_limit(tmp_path: Path) -> None:
    """A file of exactly the limit passes, one byte more does not."""
    file = tmp_path / "job.toml"
    file.write_bytes(b"x" * 10)
    assert read_bytes(file, 10, "job file") == b"x" * 10
    with pytest.raises(InputError, match="the job file may hold 9 bytes, this is more"):
        read_bytes(file, 9, "job file")


def test_the_hash_is_that_of_the_bytes(tmp_path: Path) -> None:
    """SHA-256 of "abc" as FIPS 180-4's own example gives it, and of something longer."""
    file = tmp_path / "file"
    file.write_bytes(b"abc")
    assert sha256(file) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(b"abc") == sha256(file)
    file.write_bytes(bytes(3_000_000))
    assert sha256(file) == hashlib.sha256(bytes(3_000_000)).hexdigest()


def test_a_hash_in_the_background_tells_its_error_where_it_is_asked_for(tmp_path: Path) -> None:
    """The thread itself fails silently; the caller does not."""
    file = tmp_path / "file"
    file.write_bytes(b"abc")
    assert BackgroundHash(file).hexdigest() == sha256(file)
    with pytest.raises(InputError, match="No such file"):
        BackgroundHash(tmp_path / "gone").hexdigest()


def test_a_file_beside_is_found_in_either_case(tmp_path: Path) -> None:
    """Parts of a Shapefile often come with upper case endings."""
    (tmp_path / "lot.SHP").touch()
    (tmp_path / "lot.PRJ").touch()
    assert beside(tmp_path / "lot.SHP", ".prj") == tmp_path / "lot.PRJ"
    assert beside(tmp_path / "lot.SHP", ".dbf") is None


@pytest.mark.parametrize("name", list(DEFAULT_LIMITS.as_dict()))
def test_every_limit_is_named_in_its_error(name: str) -> None:
    """The limit itself passes, one more is refused, and the message says which limit it is."""
    limits = Limits(**{name: 7})
    limits.check(name, 7, "it holds {}", file="a.tif")
    with pytest.raises(InputError, match=f"it holds 8, more than the limit {name} = 7"):
        limits.check(name, 8, "it holds {}", file="a.tif")


def test_the_deepest_reason_of_a_library_is_told(tmp_path: Path) -> None:
    """What a library raises while it reads becomes one error with file, layer and reason."""
    error = OSError("Read failed. See previous exception")
    error.__cause__ = ValueError("the real\n reason")
    said = "layer lot: the file could not be read: the real reason"
    with pytest.raises(InputError, match=said), reading(tmp_path / "site.gpkg", layer="lot"):
        raise error


@pytest.mark.parametrize("error", [MemoryError(), RecursionError("too deep"), EOFError("short")])
def test_damage_can_show_as_any_of_these(error: Exception) -> None:
    """Memory, depth and end of file are faults of the file too."""
    with pytest.raises(InputError, match="could not be read"), reading("dem.tif"):
        raise error


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EFBIG, errno.EROFS])
def test_a_private_copy_that_cannot_be_made_does_not_blame_the_file(code: int) -> None:
    with (
        pytest.raises(InputError, match=r"no private copy of it could be made.*TMPDIR"),
        reading("lot.shp"),
    ):
        raise OSError(code, os.strerror(code))


def test_a_fault_of_the_program_passes() -> None:
    """What no file can cause is not disguised as a fault of the file."""
    with pytest.raises(KeyError), reading("dem.tif"):
        raise KeyError("bug")


def test_an_error_that_is_told_already_is_not_told_twice() -> None:
    """A reader that has named the file and the place itself is not wrapped once more."""
    told = InputError(Fault("a value is missing", "Give it", file="lot.shp"))
    with pytest.raises(InputError) as caught, reading("dem.tif"):
        raise told
    assert caught.value is told


def test_a_file_that_may_not_be_read_is_told(tmp_path: Path) -> None:
    """A file without permission gives the system's reason."""
    file = tmp_path / "dem.tif"
    file.write_bytes(b"II*\0")
    file.chmod(0)
    if os.access(file, os.R_OK):
        pytest.skip("this user may read every file")
    with pytest.raises(InputError, match="Permission denied"):
        sniff(file)


def test_what_is_made_of_a_file_is_made_once_while_files_are_kept(tmp_path: Path) -> None:
    """Without a block each time; within blocks, also one in another, once; anew after a change."""
    path = tmp_path / "lot.shp"
    path.write_bytes(b"one")
    (tmp_path / "lot.dbf").write_bytes(b"rows")
    assert kept_of("key", path, object) is not kept_of("key", path, object)
    with files_kept():
        first = kept_of("key", path, object)
        with files_kept():
            assert kept_of("key", path, object) is first
        assert kept_of("key", path, object, "another part") is not first
        (tmp_path / "lot.dbf").write_bytes(b"other rows")
        assert kept_of("key", path, object) is not first
    with files_kept():
        assert kept_of("key", path, object) is not first


def test_what_is_opened_once_stays_open_until_the_block_ends(tmp_path: Path) -> None:
    """Without a block it is closed at once; to the end of the process it outlives blocks."""
    path, told = tmp_path / "lot.gpkg", []

    @contextmanager
    def opened() -> Iterator[object]:
        told.append("open")
        yield object()
        told.append("closed")

    for _ in range(2):
        with opened_once("copy", path, opened):
            pass
    assert told == ["open", "closed"] * 2
    told.clear()
    with files_kept():
        with opened_once("copy", path, opened) as one, opened_once("copy", path, opened) as same:
            assert one is same
        assert told == ["open"]
    assert told == ["open", "closed"]
    told.clear()
    found = []
    for _ in range(2):
        with files_kept(to_the_end=True), opened_once("copy", path, opened) as one:
            found.append(one)
    assert found[0] is found[1]
    assert told == ["open"]


def test_rows_of_a_table_keep_their_line_numbers() -> None:
    """Quotes, commas and breaks as of RFC 4180, section 2."""
    data = '\ufeffitem, price\r\n,\r\n\r\n"pipe, 4"" white", 18.50\r\n'.encode()
    assert csv_rows(data, "p.csv") == [(1, ["item", "price"]), (4, ['pipe, 4" white', "18.50"])]


@pytest.mark.parametrize("data", [b"item\nr\xf8r", b'item\n"ror'])
def test_what_is_no_table_is_told(data: bytes) -> None:
    with pytest.raises(InputError) as caught:
        csv_rows(data, "p.csv")
    assert caught.value.faults[0].file == "p.csv"


def test_what_is_read_beside_a_file_counts_too(tmp_path: Path) -> None:
    """A table of a Shapefile, but nothing empty and nothing of another name."""
    file = tmp_path / "lots.shp"
    for name, data in (
        ("lots.shp", b"abc"),
        ("lots.dbf", b"d"),
        ("lots.prj", b""),
        ("a.dbf", b"e"),
    ):
        (tmp_path / name).write_bytes(data)
    assert hashes_of(file) == {"lots.shp": sha256_of(b"abc"), "lots.dbf": sha256_of(b"d")}
