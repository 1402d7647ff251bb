"""Make the pictures of README again: python sample_images/render/pictures.py. Needs photoaz installed, and chromium."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

OUT = Path(__file__).parent.parent / "pictures"
#: photos whose pages are shown, and how far down [px]: the legend on the left, and on the right without the lists
PAGES = {"fitted.jpg": ("qlb014_8", 2550, 2550), "small_panels.jpg": ("qlb014_3", 2560, 2505)}
LISTS_FROM_PX = 690
WIDTH_PX = 1076
SITE_PX = (1100, 1660)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo"
        subprocess.run([sys.executable, "-m", "photoaz", "demo", "--out", demo], check=True, stdout=subprocess.DEVNULL)
        for name, (photo, left, right) in PAGES.items():
            page = demo / f"overlays/QLB-014/QLB-014 {photo}.jpg"
            with Image.open(page) as drawn:
                part = drawn.convert("RGB").crop((0, 0, drawn.width, min(left, drawn.height)))
            part.paste("white", (LISTS_FROM_PX, min(right, part.height), part.width, part.height))
            size = WIDTH_PX, round(part.height * WIDTH_PX / part.width)
            part.resize(size, Image.Resampling.LANCZOS).save(OUT / name, quality=80, optimize=True)
        shot = Path(folder) / "site.png"
        options = ["--headless", "--no-sandbox", "--hide-scrollbars", f"--window-size={SITE_PX[0]},{SITE_PX[1]}"]
        page = demo / "report/sites/QLB-014.html"
        subprocess.run(["chromium", *options, f"--screenshot={shot}", page.as_uri()], check=True, capture_output=True)
        with Image.open(shot) as drawn:
            drawn.convert("RGB").quantize(256).save(OUT / "report_site.png", optimize=True)
    for file in sorted(OUT.iterdir()):
        print(f"{file.name}: {file.stat().st_size // 1000} kB")


if __name__ == "__main__":
    main()
