"""A page as PDF, by the Chromium that the machine has."""

import shutil
import subprocess
import tempfile
from pathlib import Path

#: Names under which Chromium and its relatives are installed. First the one without a window, which has no
#: other use and starts in a third of the time: a page is printed in 0.7 s of the processor, not 2.5.
PROGRAMS = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome", "chrome")

#: Longest time for one page, seconds. Our choice.
PRINT_S = 180

HOW_TO = "No PDF was made ({}). Open the page in a browser and print it to PDF there."


def print_page(page: Path, pdf: Path) -> str:
    """Print an HTML page as PDF.

    Parameters
    ----------
    page : Path
    pdf : Path

    Returns
    -------
    problem : str
        Empty when the PDF is there, else why not and what to do.
    """
    program = next((found for name in PROGRAMS if (found := shutil.which(name))), None)
    if program is None:
        return HOW_TO.format("Chromium was not found")
    part = pdf.resolve().with_name(f".{pdf.name}.part")  # Chromium works in another folder than this program
    with tempfile.TemporaryDirectory(prefix="plugface-print-") as profile:
        command = [program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
        command += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]
        command += [f"--user-data-dir={profile}", "--no-pdf-header-footer", f"--print-to-pdf={part}"]
        try:
            subprocess.run(
                [*command, page.resolve().as_uri()],
                capture_output=True,
                timeout=PRINT_S,
                check=True,
                cwd=profile,
            )
        except subprocess.TimeoutExpired:
            return HOW_TO.format("Chromium took too long")
        except (subprocess.CalledProcessError, OSError):
            return HOW_TO.format("Chromium could not print it")
    if not part.is_file() or part.stat().st_size == 0:
        return HOW_TO.format("Chromium could not print it")
    part.replace(pdf)
    return ""
