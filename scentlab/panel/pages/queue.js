// Scores that wait on this phone, whoever gave them: every page of the panel sends them, and shows
// none as saved before the store has acknowledged it. Each score has a key of its own, so that sending
// it again stores nothing twice, and a place of its own in the phone's memory, so that two pages do not
// lose each other's.
"use strict";
phone.queue = (function () {
  const { data, $, read, keep, forget, say, post } = phone;
  const BOX = "scentlab-score-", REFUSED = "scentlab-refused-", SENT = "scentlab-sent", RETRY = 3000;
  const TABLES = { throw: "throws", pair: "pairs" };
  const list = waiting();
  // What the page of a tester does beside: with its own scores, and with its photos that wait.
  const page = { more: [], saved() {}, refused() {}, undone() {}, beat() {} };
  let sending = false, missed = list.length > 0, forgetful = false;

  function waiting() {
    let names = [];
    try { names = Object.keys(localStorage).filter((name) => name.startsWith(BOX)); } catch { /**/ }
    return names.map((name) => read(name, null)).filter(Boolean).sort((a, b) => a.at - b.at);
  }
  function place({ body }) { return BOX + body.assessor + "-" + body.key; }
  function own({ body }) { return body.assessor === data.assessor; }
  function mine() { return list.filter((s) => own(s) && !s.undone); }
  function same(a, b) {
    return ["code", "test", "sitting", "kind"].every((k) => (a[k] || "") === (b[k] || ""));
  }
  function table(test) { return TABLES[test] || "grades"; }
  // A page may be asked for before a score is stored, and begin when it is no more kept here.
  function unseen() {
    return read(SENT, []).filter((s) => s.who === data.assessor && s.at >= performance.timeOrigin);
  }
  function refusedOf(who) { return read(REFUSED + who, []); }

  function show() {
    const others = new Map();
    for (const s of list.filter((s) => !own(s) && !s.undone)) {
      others.set(s.body.assessor, (others.get(s.body.assessor) || 0) + 1);
    }
    const codes = [...mine().map((s) => s.code), ...page.more.map((s) => "photo of " + s.item.code)];
    const words = [...codes, ...[...others].map(([who, n]) => n + (n > 1 ? " scores of " : " score of ") + who)];
    const one = codes.length + list.filter((s) => !own(s) && !s.undone).length === 1;
    $("waiting").hidden = !words.length;
    $("waiting").textContent = words.length
      ? "NOT SAVED YET: " + words.join(", ") + (one ? " waits" : " wait") + " on this phone and "
        + (one ? "is sent again automatically. " : "are sent again automatically. ")
        + (page.more.length ? "Closing the page loses the photo." : forgetful ? "This browser keeps nothing: closing the page loses what is waiting."
          : "Leave this page open.") : "";
  }
  function line(ok) {
    $("line").hidden = ok;
    $("line").textContent = ok ? "" : "No connection. Scores wait on this phone; "
      + "nothing is saved until the connection is back.";
  }
  function add(score) {
    list.push(score);
    forgetful = !keep(place(score), score);
    show(); flush();
  }
  // A score that waits may be stored although no answer came, so the computer is told.
  function undo(key) {
    const score = mine().find((s) => s.body.key === key);
    if (!score) return false;
    score.undone = true; keep(place(score), score);
    show(); flush();
    return true;
  }
  function drop(score) {
    list.splice(list.indexOf(score), 1); forget(place(score)); show();
  }

  async function flush() {
    if (sending) return;
    sending = true;
    let stored = 0, refused = 0;
    try {
      while (list.length) {
        const score = list[0], { undone, body } = score;
        const { status, reply } = undone
          ? await post("undo", { table: table(body.test), assessor: body.assessor, key: body.key })
          : await post("save", { ...body, waited_s: Math.max(0, (Date.now() - score.at) / 1000) });
        line(true);
        if (status >= 500) { missed = true; say("NOT SAVED YET. " + reply.error, "warn"); break; }
        if (score.undone && !undone) continue;  // undone while it was under way
        drop(score);
        if (undone) unsaid(score, status, reply);
        else if (status === 200) { stored += 1; saved(score, reply); }
        else { refused += 1; refuse(score, reply); }
      }
      if (missed && !list.length) {
        missed = false;
        if (stored > 1) say((refused ? "" : "All ") + stored + " saved.", "saved");
      }
    } catch { missed = true; line(false); }
    sending = false;
    show();
  }
  function without(score) {
    return refusedOf(score.body.assessor).filter((other) => !same(other.item, score.item));
  }
  function saved(score, reply) {
    keep(REFUSED + score.body.assessor, without(score));
    const { body: { assessor: who }, item } = score;
    keep(SENT, [...read(SENT, []), { who, item, at: Date.now() }].slice(-20));
    if (own(score)) page.saved(score, reply);
    else say("A score of " + score.body.assessor + " is saved.", "saved");
  }
  // Scores that were refused for good stand on the tester's page until they were seen.
  function refuse(score, reply) {
    const who = score.body.assessor, words = "NOT SAVED: " + (score.item.test === "pair" ? "pair " : "piece ")
      + score.code + ", " + score.body.value + ". " + reply.error;
    const kept = keep(REFUSED + who, [...without(score), { words, item: score.item }]);
    if (!own(score)) say("NOT SAVED: a score of " + who + ". The page of " + who + " says why.", "warn");
    else { if (!kept) say(words, "warn"); page.refused(score, reply); }
  }
  function unsaid(score, status, reply) {
    if (status !== 200) say("NOT UNDONE: " + score.code + ". " + reply.error, "warn");
    if (own(score)) page.undone(score, reply);
  }

  async function beat() {
    page.beat();
    if (list.length) { await flush(); return; }
    try { await post("alive", {}); line(true); } catch { line(false); }
  }
  show();
  setTimeout(flush);  // when the page has joined in
  setInterval(beat, RETRY);
  addEventListener("online", beat);
  addEventListener("offline", () => line(false));
  addEventListener("beforeunload", (event) => { if (list.length || page.more.length) event.preventDefault(); });
  return { page, mine, unseen, same, table, refusedOf, add, undo, show, line,
    seen: () => forget(REFUSED + data.assessor) };
})();
