"""What the kernel tells the browser of a page arrives whole, however slow the browser's side is."""

import time
from collections import Counter

from comm.base_comm import BaseComm
from jupyter_client.manager import start_new_kernel

from scentlab.screens.plan import plan_page

BURST = """
from comm import create_comm
import scentlab.forms.frame
for place in range(5000):
    create_comm(target_name="none", data={"place": place, "words": 800 * "x"})
"""


def test_nothing_of_a_burst_is_dropped_for_a_slow_reader():
    manager, client = start_new_kernel()
    try:
        client.execute(BURST)
        client.get_shell_msg(timeout=60)
        time.sleep(1)  # nothing is read meanwhile
        seen = Counter()
        while seen["status"] < 2:
            seen[client.get_iopub_msg(timeout=10)["msg_type"]] += 1
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
    assert seen["comm_open"] == 5000


class Counted(BaseComm):
    sent = Counter()

    def publish_msg(self, msg_type, *_, **__):
        self.sent[msg_type] += 1


def test_the_largest_page_is_few_messages(monkeypatch):
    """2,700 of them once: what a page is made of goes singly to the browser, which draws it."""
    Counted.sent.clear()
    monkeypatch.setattr("ipywidgets.widgets.widget.comm.create_comm", Counted)
    plan_page()
    assert 100 < Counted.sent.total() < 1300
