"""Kernels of the lab: one waits, the kit already imported, for the page that is opened next."""

import asyncio
import os

from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager

from scentlab.files import PAGE_NAMES, PAGES
from scentlab.lab import PLACE

ENTER = "import scentlab.lab; scentlab.lab.enter()"
# What the first one imports, for the page where the lab opens; and those after it, for any page.
FIRST = "import scentlab.screens.start"
ANY = "import scentlab.forms.quick, " + ", ".join(
    f"scentlab.screens.{page}" for page in PAGES if page != "start")
PAUSE, PATIENCE = 8.0, 60.0  # seconds: until the next one is begun; until one must have answered


class KitKernels(AsyncMappingKernelManager):
    """Kernels as they always are; a page of the kit takes the one that waits."""

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._loop = asyncio.get_event_loop()
        self._waiting = self._loop.create_task(self._prepare(FIRST))

    async def _prepare(self, read):
        lines = [f"--IPKernelApp.exec_lines={line}" for line in (ENTER, read)]
        place = os.path.join(self.root_dir, PAGE_NAMES[0])
        return await super()._async_start_kernel(
            env=os.environ | {PLACE: place}, extra_arguments=lines)

    def _begin(self):
        self._waiting = self._waiting or self._loop.create_task(self._prepare(ANY))

    async def _async_start_kernel(self, *, kernel_id=None, path=None, **kwargs):
        env = kwargs.get("env", {})
        if self._waiting and os.path.basename(env.get(PLACE, "")) in PAGE_NAMES:
            waiting, self._waiting = self._waiting, None
            self._loop.call_later(PAUSE, self._begin)  # the page that is opened goes first
            try:
                return await self._enter(await waiting, env)
            except Exception:
                self.log.exception("The kernel that waited is not used.")
        return await super()._async_start_kernel(kernel_id=kernel_id, path=path, **kwargs)

    start_kernel = _async_start_kernel  # what the server calls

    async def _enter(self, kernel_id, env):
        """Let the kernel that waited be that of a page, also when it is started once more."""
        self.update_env(kernel_id=kernel_id, env=env)
        client = self.get_kernel(kernel_id).client()
        client.start_channels(iopub=False, stdin=False, hb=False, control=False)
        try:
            await client.execute(
                f"import scentlab.lab; scentlab.lab.enter({env[PLACE]!r})", silent=True,
                reply=True, timeout=PATIENCE)
        finally:
            client.stop_channels()
        return kernel_id

    def list_kernels(self):
        """Those of notebooks; nobody wants to see, or end, the one that waits."""
        task = self._waiting
        hidden = task.result() if task and task.done() and not task.exception() else None
        return [kernel for kernel in super().list_kernels() if kernel["id"] != hidden]
