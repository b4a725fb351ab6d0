"""kill -9 of the panel while twelve phones score at once, and all of them send again."""

import contextlib
import http.client
import json
import random
import threading
import time

from records import HANDLED, LOST
from test_panel_probes import SCORE, TOKEN, Served

from scentlab.recording.store import Store

PHONES = [f"A{n}" for n in range(1, 13)]
CODES = [str(n) for n in range(100, 1000)]


class Phone(threading.Thread):
    """Scores one piece after the other until the line breaks; sends again what was not answered."""

    def __init__(self, assessor):
        super().__init__()
        self.assessor, self.number, self.waits, self.told = assessor, 0, None, {}

    def body(self):
        if self.waits is None:
            code = CODES[self.number]
            self.waits = {**SCORE, "assessor": self.assessor, "code": code,
                          "key": f"{self.assessor}-{code}-key", "value": self.number % 5}
            self.number += 1
        return self.waits

    def send(self, connection):
        body = self.body()
        connection.request("POST", f"/{TOKEN}/save", json.dumps(body),
                           {"Content-Type": "application/json"})
        answer = connection.getresponse()
        answer.read()
        if answer.status == 200:
            self.told[body["code"]], self.waits = body["value"], None
        return answer.status

    def go(self, port):
        super().__init__()
        self.port = port
        self.start()

    def run(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        with contextlib.suppress(OSError, http.client.HTTPException):
            while self.send(connection) == 200:
                pass
        connection.close()


class Panel(Served):
    def __init__(self, folder):
        plan = {"assessors": PHONES, "pieces": [
            {"code": c, "pour": "P1", "test": "sweat", "stress": "rest"} for c in CODES]}
        super().__init__(folder, 15, plan)


def panel_kills(place, rounds, seconds, seed=3):
    """A word per round, and how many scores were acknowledged in all."""
    chance, started, words = random.Random(seed), time.monotonic(), []
    panel, phones = Panel(place / "phones"), [Phone(a) for a in PHONES]
    try:
        for _ in range(rounds):
            if time.monotonic() - started > seconds:
                break
            for phone in phones:
                phone.go(panel.port)
            enough, since = _told(phones) + chance.randrange(6, 90), time.monotonic()
            while _told(phones) < enough and time.monotonic() - since < 20:
                time.sleep(chance.random() / 100)
            panel.kill()
            for phone in phones:
                phone.join(30)
            words.append(_all_there(panel.folder, phones))
            panel.start()
    finally:
        panel.kill()
        panel.log.close()
    return words, _told(phones)


def _told(phones):
    return sum(len(phone.told) for phone in phones)


def _all_there(folder, phones):
    """Each acknowledged score is there once as it was given, and nothing that nobody sent."""
    rows = Store.open(folder).rows("grades")
    stored = dict(zip(zip(rows["assessor"], rows["code"], strict=True), rows["grade"], strict=True))
    told = {(p.assessor, code): value for p in phones for code, value in p.told.items()}
    sent = {(p.assessor, p.waits["code"]) for p in phones if p.waits}
    once = len(stored) == len(rows)
    right = told.items() <= stored.items() and set(stored) <= set(told) | sent
    return HANDLED if once and right else LOST
