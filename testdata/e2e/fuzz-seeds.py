#!/usr/bin/env python3
"""Picks, from what the fuzzer kept in its cache, the inputs that reach code of their
package which the seeds of the tests do not reach, and puts them into testdata/fuzz of
the package, where every `go test` replays them. The smallest that do are taken.

Usage: fuzz-seeds.py [greatest size of one input in bytes, default 2000]
"""

import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]


def targets():
    for file in sorted(ROOT.rglob("*_test.go")):
        for name in re.findall(r"^func (Fuzz\w+)\(", file.read_text(), re.M):
            yield file.parent, name


def covered(binary, at, pattern):
    """The blocks that a run of the test reaches."""
    profile = at / "profile"
    profile.unlink(missing_ok=True)
    subprocess.run([binary, "-test.run", pattern, f"-test.coverprofile={profile}"], cwd=at, check=True, stdout=subprocess.DEVNULL)
    blocks = set()
    for line in profile.read_text().splitlines()[1:]:
        block, _, count = line.rsplit(" ", 2)
        if count != "0":
            blocks.add(block)
    return blocks


def pick(folder, name, cache, most):
    """Copies what is new of a target, and returns how many inputs that are."""
    known = folder / "testdata" / "fuzz" / name
    inputs = [p for p in sorted(cache.glob("*")) if p.stat().st_size <= most and not (known / p.name).exists()]
    with tempfile.TemporaryDirectory() as temporary:
        at = pathlib.Path(temporary)
        binary = at / "package.test"
        subprocess.run(["go", "test", "-c", "-cover", "-o", binary, "."], cwd=folder, check=True)
        work = at / "a" / folder.relative_to(ROOT)
        shutil.copytree(ROOT / "configs", at / "a" / "configs")
        shutil.copytree(folder, work)
        reached = covered(binary, work, f"^{name}$")
        seeds = work / "testdata" / "fuzz" / name
        seeds.mkdir(parents=True, exist_ok=True)
        for path in inputs:
            shutil.copy(path, seeds)
        reach = {p: covered(binary, work, f"^{name}$/^{p.name}$") for p in inputs}
    taken = 0
    while inputs:
        best = max(inputs, key=lambda p: (len(reach[p] - reached), -p.stat().st_size, p.name))
        if not reach[best] - reached:
            break
        reached |= reach[best]
        known.mkdir(parents=True, exist_ok=True)
        shutil.copy(best, known)
        taken += 1
    return taken


def main():
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    cache = pathlib.Path(subprocess.check_output(["go", "env", "GOCACHE"], text=True).strip()) / "fuzz" / "lapgate"
    for folder, name in targets():
        where = folder.relative_to(ROOT)
        print(f"{where} {name}: {pick(folder, name, cache / where / name, most)} taken", flush=True)


if __name__ == "__main__":
    main()
