"""The kernel that waits in the lab: a page takes it, and it works in the folder of that page."""

import asyncio

import pytest

from scentlab.lab.kernels import KitKernels

WHERE = "import os, sys; print(os.getcwd(), 'scentlab.screens.start' in sys.modules)"


async def said(kernels, kernel_id, code=WHERE):
    """What a kernel prints."""
    client, heard = kernels.get_kernel(kernel_id).client(), []
    client.start_channels()
    try:
        await client.wait_for_ready(timeout=60)
        await client.execute_interactive(code, output_hook=heard.append, timeout=60)
    finally:
        client.stop_channels()
    return "".join(m["content"]["text"] for m in heard if m["msg_type"] == "stream").split()


async def opened(kernels, root, page):
    (root / page).parent.mkdir(exist_ok=True)
    return await kernels.start_kernel(path=page, env={"JPY_SESSION_NAME": str(root / page)})


@pytest.fixture
def run(tmp_path):
    """Runs a coroutine function with kernels over a folder, all of them ended after it."""
    def run(what):
        async def all_of_it():
            kernels = KitKernels(root_dir=str(tmp_path))
            try:
                await what(kernels, tmp_path)
            finally:
                await kernels.shutdown_all(now=True)

        asyncio.run(all_of_it())

    return run


def test_a_page_takes_the_kernel_that_waits(run):
    async def what(kernels, root):
        waiting = await kernels._waiting
        assert kernels.list_kernels() == []  # nobody sees it
        taken = await opened(kernels, root, "fig/start.ipynb")
        assert taken == waiting and [k["id"] for k in kernels.list_kernels()] == [taken]
        assert await said(kernels, taken) == [str(root / "fig"), "True"]
        await kernels.restart_kernel(taken)
        assert await said(kernels, taken) == [str(root / "fig"), "True"]

    run(what)


def test_one_that_died_is_not_missed(run, caplog):
    async def what(kernels, root):
        await kernels.shutdown_kernel(await kernels._waiting, now=True)
        taken = await opened(kernels, root, "fig/plan.ipynb")
        assert (await said(kernels, taken))[0] == str(root / "fig")

    run(what)


def test_a_notebook_of_the_maker_gets_a_kernel_of_its_own(run):
    async def what(kernels, root):
        waiting = await kernels._waiting
        own = await opened(kernels, root, "fig/mine.ipynb")
        assert own != waiting and await kernels._waiting == waiting
        assert await said(kernels, own) == [str(root / "fig"), "False"]

    run(what)
