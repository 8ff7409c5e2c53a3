"""Take the README's screenshot from the running demo.

    python tests/bench/screenshot.py [--athlete CODE] [--out sample_images/screenshot.png]

Starts ``kneelturn demo`` on a free port, which measures the sample pictures first, opens the newest round of the
athlete in Debian's Chromium and photographs the page at the width of a tablet.
"""

import argparse
import re
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

# as root Chromium runs only without its sandbox; the rest keeps it from calling home
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
SIZE = {"width": 1000, "height": 1480}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--athlete", help="code of the athlete whose newest round is shown; the first of the list")
    parser.add_argument("--out", type=Path, default=Path("sample_images/screenshot.png"))
    wanted = parser.parse_args()

    command = [sys.executable, "-m", "app.cli", "demo", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            address = next(found[0] for line in server.stdout if (found := re.search(r"http://\S+", line)))
            with sync_playwright() as driver:
                browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
                page = browser.new_page(viewport=SIZE)
                page.goto(address)
                links = page.locator("a[href^='/rounds/']:not([href$='new'])")
                (links.filter(has_text=wanted.athlete) if wanted.athlete else links).first.click()
                page.wait_for_load_state("networkidle")
                page.screenshot(path=wanted.out, full_page=False)
                browser.close()
        finally:
            server.terminate()
    print(f"{wanted.out}: {wanted.out.stat().st_size // 1000} kB")


if __name__ == "__main__":
    main()
