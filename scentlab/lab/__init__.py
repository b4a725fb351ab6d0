"""JupyterLab over a workshop: opened at the kit's start page, its own notebooks running."""

import os
import signal
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

from scentlab.files import ROOT_VARIABLE

START = "start.ipynb"
PLACE = "JPY_SESSION_NAME"  # where a kernel's notebook lies, in its environment
HERE = Path(__file__).parent


def is_here():
    """Whether what the pages need is installed; the core of the kit comes without."""
    return all(find_spec(name) for name in ("jupyterlab", "ipywidgets", "anywidget"))


def enter(place=None):
    """Let this kernel be that of the notebook at a place, or of the one it was started for."""
    os.environ[PLACE] = place = place or os.environ[PLACE]
    os.chdir(os.path.dirname(place))


def run_lab(folder, extra=()):
    """Serve a workshop or a series folder in JupyterLab until it is ended; its return code.

    Settings and files of the user stay as they are: ``labconfig/`` holds the defaults of this lab,
    and ``extension/`` what runs the kit's notebooks in it.
    """
    root = str(folder.resolve())
    config = os.pathsep.join(filter(None, [str(HERE), os.environ.get("JUPYTER_CONFIG_PATH")]))
    command = [
        sys.executable, "-m", "scentlab.lab", f"--ServerApp.root_dir={root}",
        "--ServerApp.contents_manager_class=scentlab.lab.contents.KitContents",
        "--ServerApp.kernel_manager_class=scentlab.lab.kernels.KitKernels",
        f"--LabApp.extra_labextensions_path={HERE / 'extension'}",
        # What a server drops of a page that comes at once is missing in it, without a word.
        "--ZMQChannelsWebsocketConnection.limit_rate=False",
        # Open tabs are remembered for each folder: those of another would not be found here.
        f"--LabApp.workspaces_dir={Path(root) / '.tabs'}",
        f"--LabApp.default_url=/lab/tree/{START}", *extra,
    ]
    lab = subprocess.Popen(command, env=os.environ | {
        "JUPYTER_CONFIG_PATH": config, ROOT_VARIABLE: root})
    before = signal.signal(signal.SIGTERM, lambda *_: lab.terminate())  # its kernels end with it
    try:
        return lab.wait()
    except KeyboardInterrupt:
        lab.terminate()
        lab.wait()
        return 0
    finally:
        signal.signal(signal.SIGTERM, before)
