"""docs/security.md names tests: each is there."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent


def test_every_test_that_the_page_names_is_there() -> None:
    text = (ROOT.parent / "docs" / "security.md").read_text(encoding="utf-8")
    missing, file, seen = [], "", 0
    for name in re.findall(r"`([\w/*]*(?:\.py)?(?:::\w+)?)`", text):
        path, _, part = name.partition("::")
        if path.startswith("orders/") and not path.startswith("orders/test_"):
            continue
        if not (path.endswith(".py") and "test_" in path) and not (part and not path):
            continue
        file = path or file
        files = sorted(ROOT.glob(file))
        seen += 1
        if not files or (
            part
            and not any(
                re.search(rf"def test_\w*{part}", each.read_text(encoding="utf-8"))
                for each in files
            )
        ):
            missing.append(name)
    assert missing == []
    assert seen > 40
