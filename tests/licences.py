"""Which packages the program needs, directly and through others, and under which licence each may be used.

``python3 -m tests.licences`` prints them with the versions that are installed here, read from the packages' own
metadata; ``--write`` writes ``tests/licences.toml`` anew, which somebody then reads and commits.
"""

from __future__ import annotations

import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
LIST = Path(__file__).with_suffix(".toml")
SHIPPED_EXTRAS = ("hosted", "postgres", "cluster")
OLDER_NAMES = {
    "bsd license": "BSD-3-Clause",
    "bsd": "BSD-3-Clause",
    "3-clause bsd license": "BSD-3-Clause",
    "mit license": "MIT",
    "apache software license": "Apache-2.0",
    "apache license 2.0": "Apache-2.0",
    "apache 2.0": "Apache-2.0",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "python software foundation license": "PSF-2.0",
    "psfl": "PSF-2.0",
}
"""What packages without a licence expression say, in the words of SPDX."""


def project() -> dict:
    """Return the project's own table of pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def plain(name: str) -> str:
    """Return a package's name as it is compared."""
    return re.sub(r"[-_.]+", "-", name).lower()


def needed() -> dict[str, metadata.Distribution]:
    """Return all packages that the program and its extras need, tests left out."""
    own = project()
    lines = [*own["dependencies"], *(line for extra in SHIPPED_EXTRAS for line in own["optional-dependencies"][extra])]
    waiting, found = [Requirement(line) for line in lines], {}
    while waiting:
        one = waiting.pop()
        if plain(one.name) in found and not one.extras:
            continue
        package = found[plain(one.name)] = metadata.distribution(one.name)
        for line in package.requires or []:
            other = Requirement(line)
            asked = other.marker is None or any(other.marker.evaluate({"extra": extra}) for extra in ("", *one.extras))
            if asked and plain(other.name) not in found:
                waiting.append(other)
    return dict(sorted(found.items()))


def licence(package: metadata.Distribution) -> str:
    """Return under which licence a package says that it is."""
    about = package.metadata
    if about.get("License-Expression"):
        return str(about["License-Expression"])
    said = str(about.get("License") or "").strip()
    classes = [line.split(" :: ")[-1] for line in about.get_all("Classifier") or [] if line.startswith("License ::")]
    short = said if 0 < len(said) <= 30 else next(iter(classes), "")
    return OLDER_NAMES.get(short.lower(), short)


def written() -> dict[str, dict[str, str]]:
    """Return the list that was read by somebody."""
    return tomllib.loads(LIST.read_text(encoding="utf-8"))


def main() -> int:
    """Print the list, or write it anew."""
    lines = [
        f'{name} = {{ licence = "{licence(package)}", seen = "{package.version}" }}'
        for name, package in needed().items()
    ]
    if "--write" in sys.argv:
        head = "# Packages that dryhold needs, their licences, and the version whose metadata said so; licences.py.\n"
        LIST.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")
    else:
        print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
