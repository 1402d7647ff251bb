"""Fuzz the readers of photos' metadata or of tables, or whole commands, for as long as asked:

    python tests/fuzz/fuzz.py metadata --seconds 600 --out found

With atheris where it is installed (it follows which branches an input reaches), else by plain mutation of the seeds.
Every new kind of failure and every input that takes longer than SLOW_S is written to the folder `found`; nothing stops
at the first. Exit code 1 where there was one.
"""

from __future__ import annotations

import argparse
import random
import re
import resource
import sys
import time
import traceback
from pathlib import Path

try:
    import atheris
except ImportError:
    atheris = None

#: seconds of processor time that are too many; of a whole command
SLOW_S, SLOW_COMMAND_S = 2.0, 60.0
MAX_BYTES = 1 << 16
#: what stands in a text as one thing, and what may stand there instead
_TOKEN = re.compile(rb'"[^"\n]*"|-?\d[\d.eE+-]*|[A-Za-z_]{3,}')
_VALUES = (
    *(b"null", b"[]", b"{}", b"true", b"-1", b"0", b"1e308", b"1e-300", b"-1e9", b"90.0000001", b"361", b'"x"', b'""'),
    *(b"[[]]", b'{"a": []}', b"12345678901234567890", b"photo", b"bearing", b"standpoint", b"2024-02-30", b"9999"),
)


class Watch:
    """Runs inputs, keeps what went wrong once for each place in the code."""

    def __init__(self, target, out: Path, slow_s: float = SLOW_S) -> None:
        self.target, self.out, self.slow_s = target, out, slow_s
        self.tried, self.slowest = 0, 0.0
        self.kinds: set[str] = set()

    def __call__(self, data: bytes) -> None:
        self.tried += 1
        start = time.process_time()
        try:
            self.target(data)
        except Exception as e:  # noqa: BLE001  this is what is looked for
            where = traceback.extract_tb(e.__traceback__)
            ours = [f for f in where if "photoaz" in f.filename] or where
            self.keep(f"{type(e).__name__}-{Path(ours[-1].filename).stem}-{ours[-1].lineno}", data)
        took = time.process_time() - start
        self.slowest = max(self.slowest, took)
        if took > self.slow_s:
            self.keep(f"slow-{data[:1].hex()}-{int(took)}", data)

    def keep(self, kind: str, data: bytes) -> None:
        if kind not in self.kinds:
            self.kinds.add(kind)
            self.out.mkdir(parents=True, exist_ok=True)
            (self.out / kind).write_bytes(data)
            print(f"found {kind} after {self.tried} inputs", flush=True)

    def said(self) -> str:
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        return (
            f"{self.tried} inputs, slowest {self.slowest:.2f} s, peak memory {memory:.0f} MB, "
            f"{len(self.kinds)} kinds of failure: {sorted(self.kinds)}"
        )


def mutated(data: bytes, others: list[bytes], words: tuple[bytes, ...], rng: random.Random, most: int = 16) -> bytes:
    """A seed changed in up to `most` places; its first byte, which chooses the reader, mostly stays."""
    out = bytearray(data)
    for _ in range(1 << rng.randrange(most.bit_length())):
        at = rng.randrange(1, max(len(out), 2))
        kind = rng.randrange(9)
        if kind == 0 and len(out) > at:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 1 and len(out) > at:
            out[at] = rng.choice((0, 1, 127, 128, 255, rng.randrange(256)))
        elif kind == 2:
            del out[at : at + rng.randrange(1, 40)]
        elif kind == 3:
            out[at:at] = rng.choice(words)
        elif kind == 4:
            word = rng.choice(words)
            out[at : at + len(word)] = word
        elif kind == 5:
            other = rng.choice(others)
            start = rng.randrange(max(len(other), 1))
            out[at:at] = other[start : start + rng.randrange(1, 200)]
        elif kind == 6:
            out[at:at] = out[at : at + rng.randrange(1, 60)] * rng.randrange(1, 5)
        elif kind == 7 and rng.random() < 0.2:
            del out[at:]
        elif kind == 8 and (tokens := [m for m in _TOKEN.finditer(out) if m.start() > 0]):
            token = rng.choice(tokens)
            out[token.start() : token.end()] = rng.choice(_VALUES)
    return bytes(out[:MAX_BYTES])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", choices=("metadata", "tables", "commands"))
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--out", type=Path, default=Path("found"))
    parser.add_argument("--seed", type=int, default=1, help="of the mutations, without atheris")
    parser.add_argument("--plain", action="store_true", help="by plain mutation even where atheris is there")
    given = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).parent))
    if atheris is None or given.plain:
        import targets

        # a command takes a second, and most of what is changed much is refused at once
        slow_s, most = (SLOW_COMMAND_S, 2) if given.target == "commands" else (SLOW_S, 16)
        watch = Watch(targets.TARGETS[given.target], given.out, slow_s)
        rng = random.Random(given.seed)
        some = targets.seeds(given.target)
        end = time.monotonic() + given.seconds
        while time.monotonic() < end:
            watch(mutated(rng.choice(some), some, targets.WORDS, rng, most))
        print(watch.said())
        print("\n".join(f"{n:6d} {what}" for what, n in sorted(targets.TRIED.items())))
        return bool(watch.kinds)
    with atheris.instrument_imports(include=["photoaz", "exifread", "targets"]):
        import targets
    watch = Watch(targets.TARGETS[given.target], given.out)
    corpus = given.out / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for k, seed in enumerate(targets.seeds(given.target)):
        (corpus / f"seed-{k}").write_bytes(seed[:MAX_BYTES])
    words = given.out / "words"
    words.write_text("".join('"' + "".join(f"\\x{b:02x}" for b in w) + '"\n' for w in targets.WORDS if len(w) < 60))
    options = [f"-max_total_time={given.seconds}", f"-max_len={MAX_BYTES}", "-rss_limit_mb=4096", "-timeout=60"]
    end = time.monotonic() + given.seconds
    done = False

    def once(data: bytes) -> None:
        nonlocal done
        watch(data)
        if not done and time.monotonic() > end - 1.0:  # libFuzzer ends the process without coming back
            done = True
            print(watch.said(), flush=True)

    atheris.Setup([sys.argv[0], *options, f"-dict={words}", str(corpus)], once)
    atheris.Fuzz()
    return bool(watch.kinds)


if __name__ == "__main__":
    sys.exit(main())
