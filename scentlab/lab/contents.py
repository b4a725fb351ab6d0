"""The files that the lab shows: those of the workshop, and the kit's own notebooks everywhere.

A notebook of the kit is never copied into a folder, and so never old: in every folder of the lab
its name leads to the one that came with the installed kit, whatever lies there on the disk. What
a browser saves of it is dropped.
"""

from jupyter_server.services.contents.largefilemanager import AsyncLargeFileManager
from traitlets import default

from scentlab.files import PAGE_NAMES, shipped


class KitContents(AsyncLargeFileManager):
    """Files of the workshop, with the kit's notebooks in each of its folders."""

    @default("allow_hidden")
    def _allow_hidden(self):
        return True  # the kit may be installed below a hidden folder

    def should_list(self, name):
        """Not what comes and goes while the kit writes: a file that goes between being found and
        being looked at makes the server say that its whole folder is not there."""
        return super().should_list(name) and not name.startswith(".") and not name.endswith(
            ("-wal", "-shm"))

    def _get_os_path(self, path):
        name = _page(path)
        return str(shipped("notebooks") / name) if name else super()._get_os_path(path)

    async def save(self, model, path=""):
        return await self.get(path, content=False) if _page(path) else await super().save(
            model, path)

    async def create_checkpoint(self, path):
        if _page(path):
            kept = await self.get(path, content=False)
            return {"id": "kit", "last_modified": kept["last_modified"]}
        return await super().create_checkpoint(path)

    async def list_checkpoints(self, path):
        return [] if _page(path) else await super().list_checkpoints(path)

    async def rename_file(self, old_path, new_path):
        _refuse(old_path, new_path)
        return await super().rename_file(old_path, new_path)

    async def delete_file(self, path):
        _refuse(path)
        return await super().delete_file(path)


def _page(path):
    name = path.rsplit("/", 1)[-1]
    return name if name in PAGE_NAMES else None


def _refuse(*paths):
    from tornado.web import HTTPError

    if any(map(_page, paths)):
        raise HTTPError(403, "the notebooks of the kit stay as they are; save a copy instead")
