"""A batch's list: every mistake in it is one line that names the place, before anything is done."""

from pathlib import Path

import pytest

from calib.errors import InputError
from calib.run.batch.listing import read_list


def package(folder: Path, text: str) -> Path:
    folder.mkdir(parents=True)
    (folder / "frame.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def place(tmp_path: Path) -> Path:
    package(tmp_path / "in" / "p2", 'name = "tern2-0002"\n')
    package(tmp_path / "in" / "p1", 'name = "tern2-0001"\n')
    return tmp_path


def listing(place: Path, text: str) -> Path:
    path = place / "night.txt"
    path.write_text(text, encoding="utf-8")
    return path


def test_paths_are_relative_to_the_list_and_stay_in_its_order(place: Path) -> None:
    path = listing(place, f"\ufeff# night one\n\n in/p2/frame.toml \r\n#in/p3\n{place}/in/p1\n")
    assert [(f.name, f.package) for f in read_list(path)] == [
        ("tern2-0002", (place / "in/p2/frame.toml").resolve()),
        ("tern2-0001", (place / "in/p1/frame.toml").resolve()),
    ]


def test_a_folder_gives_its_packages_by_name_and_nothing_else(place: Path) -> None:
    (place / "in" / "notes").mkdir()
    (place / "in" / "readme.txt").write_text("x")
    assert [f.package.parent.name for f in read_list(place / "in")] == ["p1", "p2"]


@pytest.mark.parametrize(
    ("broken", "name"),
    [("name = ", "p3"), ("[camera]\n", "p3"), ("name = 7\n", "p3"), ('name = " "\n', "p3"), ("\xff", "p3")],
)
def test_a_description_that_says_no_name_is_called_after_its_place(place: Path, broken: str, name: str) -> None:
    """It is a failed frame, not a mistake in the list: the others must be done."""
    package(place / "in" / "p3", "").joinpath("frame.toml").write_bytes(broken.encode("latin-1"))
    (place / "in" / "other.toml").write_text(broken.replace("\xff", ""))
    assert read_list(listing(place, "in/p3\nin/p1\n"))[0].name == name
    assert read_list(listing(place, "in/other.toml\n"))[0].name == "other"


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("in/p1\nin/p9\n", r'night.txt: line 2: found "in/p9", where there is none, expected a frame package'),
        (
            "in/p1\n#\nin/../in/p1/frame.toml\n",
            r"line 3: found .*again, expected each frame once; see line 1",
        ),
        ("in/p1\nin/p\x07\n", r'line 2: found "in/p.*", expected a frame package'),
        ("# nothing\n\n", r"night.txt: found no path, expected at least one frame"),
        ("in/p1\nsame\n", r'line 2: found a second frame called "tern2-0001", expected another name; see line 1'),
        ("odd\n", r'line 1: found a frame called "../x", expected a name that a folder may have'),
        ("in/p1  # bad Sun\n", r'line 1: found "in/p1 # bad Sun", where there is none'),
    ],
)
def test_a_mistake_is_one_line_that_names_the_place(place: Path, text: str, error: str) -> None:
    package(place / "same", 'name = "tern2-0001"\n')
    package(place / "odd", 'name = "../x"\n')
    with pytest.raises(InputError, match=error) as caught:
        read_list(listing(place, text))
    assert "\n" not in str(caught.value)


def test_all_mistakes_of_a_list_are_said_at_once(place: Path) -> None:
    """A list of a night's frames with several slips must not be mended one call at a time."""
    with pytest.raises(InputError) as caught:
        read_list(listing(place, "in/p1\nin/p9\nin/p1\nin/p2\nin/p8\n"))
    places = [line.split(": ")[1] for line in str(caught.value).splitlines()]
    assert places == ["line 2", "line 3", "line 5"]


@pytest.mark.parametrize("name", ["a/b", ".", "..", ".hidden", "a ", "x" * 201, "a\\\\b", "c:d"])
def test_a_name_that_no_folder_may_have_is_refused(place: Path, name: str) -> None:
    package(place / "odd", f'name = "{name}"\n')
    with pytest.raises(InputError, match=r"line 1: found a frame called .*, expected a name that a folder may have"):
        read_list(listing(place, "odd\n"))


def test_what_is_no_list_is_said(place: Path) -> None:
    with pytest.raises(InputError, match="found nothing, expected a text file of paths"):
        read_list(place / "absent")
    with pytest.raises(InputError, match="found one frame package, expected a folder of packages"):
        read_list(place / "in" / "p1")
    (place / "empty").mkdir()
    with pytest.raises(InputError, match="found no frame package, expected at least one"):
        read_list(place / "empty")


def test_a_name_longer_than_any_is_no_package(place: Path) -> None:
    with pytest.raises(InputError, match=r"line 1: found .* expected a frame package"):
        read_list(listing(place, "x" * 5000 + "\n"))
    with pytest.raises(InputError, match="found nothing, expected a text file of paths"):
        read_list(place / ("x" * 5000))
