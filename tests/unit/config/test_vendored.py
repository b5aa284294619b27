"""What is vendored is what it says: file and version belong together, licences lie beside."""

import hashlib
import re
from pathlib import Path

FOLDER = Path("config/static/vendor/barcode-detector-3.2.2")


def test_the_reader_is_the_one_its_script_names() -> None:
    (wasm,) = FOLDER.glob("*.wasm")
    script = (FOLDER / "ponyfill.js").read_text(encoding="utf-8")
    version = wasm.stem.rpartition("-")[2]
    assert f"`{version}`" in script
    assert hashlib.sha256(wasm.read_bytes()).hexdigest() in re.findall(r"`([0-9a-f]{64})`", script)


def test_licences_lie_beside() -> None:
    names = {file.name for file in FOLDER.glob("LICENSE-*.txt")}
    assert names == {
        f"LICENSE-{one}.txt" for one in ("barcode-detector", "zxing-wasm", "zxing-cpp")
    }


def test_our_page_names_both_files_of_this_version() -> None:
    page = Path("parts/templates/parts/scan.html").read_text(encoding="utf-8")
    named = re.findall(r"static '(vendor/[^']+)'", page)
    assert len(named) == 2
    assert all((Path("config/static") / one).is_file() for one in named)
