// Keeps a score on the phone until the store has acknowledged it, and never shows it as saved
// before. Each score has a key of its own, so that sending it again stores nothing twice, and a place
// of its own in the phone's memory, so that two pages of one tester do not lose each other's.
"use strict";
(function () {
  const { data, base, $, read, keep, newKey, say, post } = phone;
  const box = "scentlab-score-" + data.assessor + "-";
  const timerBox = "scentlab-timer-" + data.assessor, refusedBox = "scentlab-refused-" + data.assessor;
  // The second tap of a double tap would meet the next piece.
  const RETRY = 3000, LONGEST = 1600, DOUBLE_TAP = 600, HINT = 4000;
  const queue = waitingScores(), shots = [], photos = data.photos;
  let todo, last = null, sending = false, shooting = false, first = null, tapped = 0, hinted = null, forgetful = false;
  let now = data.now, left = data.later, scored = data.scored;

  function forget(name) {
    try { localStorage.removeItem(name); } catch { /* it keeps nothing */ }
  }
  function waitingScores() {
    let names = [];
    try { names = Object.keys(localStorage).filter((name) => name.startsWith(box)); } catch { /**/ }
    return names.map((name) => read(name, null)).filter(Boolean).sort((a, b) => a.at - b.at);
  }
  function same(a, b) {
    return ["code", "test", "sitting", "kind"].every((k) => (a[k] || "") === (b[k] || ""));
  }
  function showQueue() {
    const codes = [...queue.map((s) => s.code), ...shots.map((s) => "photo of " + s.item.code)];
    $("waiting").hidden = !codes.length;
    $("waiting").textContent = codes.length
      ? "NOT SAVED YET: " + codes.join(", ") + " waits on this phone and is sent again by itself. "
        + (shots.length ? "A photo is lost when the page is closed." : forgetful ? "This browser keeps nothing: what waits is lost when the page is closed."
          : "Leave this page open.") : "";
  }
  // Scores that were refused for good stand here until the tester has seen them.
  function showRefused(list = read(refusedBox, [])) {
    $("refused").hidden = !list.length;
    $("refusals").replaceChildren(...list.map(({ words }) => {
      const line = document.createElement("li");
      line.textContent = words;
      return line;
    }));
  }
  function refuse(score, why) {
    const words = "NOT SAVED: piece " + score.code + ", " + score.body.value + ". " + why;
    const list = [...read(refusedBox, []), { words, item: score.item }];
    if (!keep(refusedBox, list)) say(words, "warn");
    showRefused(list);
  }
  // A tap that comes too soon would meet a piece that was not looked at yet.
  function tooSoon() {
    const soon = Date.now() - tapped < DOUBLE_TAP;
    if (!soon) tapped = Date.now();
    clearTimeout(hinted);
    $("hint").hidden = !soon;
    hinted = setTimeout(() => { $("hint").hidden = true; }, HINT);
    return soon;
  }
  function line(ok) {
    $("line").hidden = ok;
    $("line").textContent = ok ? "" : "No connection. Scores wait on this phone; "
      + "nothing is saved until the connection is back.";
  }

  async function flush() {
    if (sending) return;
    sending = true;
    try {
      while (queue.length) {
        const score = queue[0];
        const { status, reply } = await post("save", { ...score.body,
          waited_s: Math.max(0, (Date.now() - score.at) / 1000) });
        line(true);
        if (status >= 500) { say("NOT SAVED YET. " + reply.error, "warn"); break; }
        queue.shift(); forget(box + score.body.key); showQueue();
        if (status === 200) {
          last = { table: reply.table, entry_id: reply.entry_id, item: score.item };
          $("undo").disabled = false;
          keep(refusedBox, read(refusedBox, []).filter((other) => !same(other.item, score.item)));
          showRefused();
          if (!current()) show();
          say(reply.words, "saved");
        } else {
          refuse(score, reply.error);
          if (reply.items) { adopt(reply); show(); } else putBack(score.item);
        }
      }
    } catch { line(false); }
    sending = false;
    showQueue();
  }

  // A photo is made small here, so that it takes a second to send; what this browser cannot read is
  // sent as it is, and the computer says what to do; but not what it would not take in.
  async function scaled(file) {
    try {
      const image = await createImageBitmap(file, { imageOrientation: "from-image" });
      const by = Math.min(1, LONGEST / Math.max(image.width, image.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(image.width * by));
      canvas.height = Math.max(1, Math.round(image.height * by));
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      return await new Promise((done) => { canvas.toBlob((b) => done(b || file), "image/jpeg", 0.9); });
    } catch { return file; }
  }
  async function shoot(file) {
    const item = current(), at = Date.now();
    say("The photo of piece " + item.code + " is made ready to send.");
    const blob = await scaled(file);
    if (blob.size > data.largest_photo) {
      say("NOT SAVED: the photo of piece " + item.code + ". It has " + Math.ceil(blob.size / 1e6)
        + " MB, this browser cannot make it smaller, and at most " + data.largest_photo / 1e6
        + " MB are taken. Set the camera to JPEG and to smaller photos, and take it anew.", "warn");
      return;
    }
    shots.push({ item, at, key: newKey(), blob });
    showQueue(); sendShots();
  }
  async function sendShots() {
    if (shooting) return;
    shooting = true;
    try {
      while (shots.length) {
        const { item, at, key, blob } = shots[0];
        const query = new URLSearchParams({ key, assessor: data.assessor, code: item.code,
          test: item.test, waited_s: String(Math.max(0, Date.now() - at) / 1000) });
        const { status, reply } = await post("photo?" + query, blob);
        line(true);
        if (status >= 500) { say("NOT SAVED YET. " + reply.error, "warn"); break; }
        shots.shift();
        if (status !== 200) {
          say("NOT SAVED: the photo of piece " + item.code + ". " + reply.error, "warn");
          continue;
        }
        last = { table: reply.table, entry_id: reply.entry_id, item: null,
          photo: { code: item.code, name: reply.name } };
        $("undo").disabled = false;
        photos[item.code] = [...(photos[item.code] || []).filter((n) => n !== reply.name), reply.name];
        showPhotos(); say(reply.words, "saved");
      }
    } catch { line(false); }
    shooting = false;
    showQueue();
  }
  function showPhotos() {
    const item = current(), names = (item && photos[item.code]) || [];
    $("photos").hidden = !names.length;
    $("photos").replaceChildren(...names.map((name, n) => {
      const image = document.createElement("img");
      image.src = base + "photo/" + name;
      image.alt = "Photo " + (n + 1) + " of piece " + item.code + ", taken by " + data.assessor;
      return image;
    }));
  }

  function answer(value) {
    const item = current();
    let minutes = null;
    if (item.kind === "warm") {
      const typed = form.elements.minutes.value.trim();
      const since = timerSince(item);
      if (typed === "" && since === null) {
        say("NOT SAVED. Start the timer when the warmer goes on, or type the minutes.", "warn");
        return;
      }
      minutes = typed !== "" ? typed : String(Math.round((Date.now() - since) / 6000) / 10);
    }
    const body = { key: newKey(), assessor: data.assessor, value: String(value), minutes };
    for (const k of ["code", "test", "sitting", "kind", "position"]) body[k] = item[k];
    queue.push({ code: item.code, at: Date.now(), item, body });
    forgetful = !keep(box + body.key, queue[queue.length - 1]);
    now = item.turn;
    todo = todo.filter((other) => other !== item);
    scored[item.turn] = (scored[item.turn] || 0) + 1;
    keep(timerBox, timers().filter((t) => !same(t.item, item)));
    say("");
    showQueue(); show(); flush();
  }

  // What is done now and what was left for later stand in the link, so that a reload keeps them.
  function link(turn, later) {
    const query = new URLSearchParams({ now: turn });
    later.forEach((code) => query.append("later", code));
    return base + "score/" + data.assessor + "?" + query;
  }
  function choices() {
    const found = new Map();
    for (const item of todo) found.set(item.turn, [...(found.get(item.turn) || []), item]);
    const next = [...found.keys()].find((turn) => turn.startsWith("throw "));
    return { next, offered: [...found].filter(([turn, items]) =>
      items[0].test !== "throw" || turn === next) };
  }
  // A session that is over stays on the page until something else is chosen: the room is aired.
  function ended() {
    return now.startsWith("throw ") && scored[now] > 0 && todo.length > 0
      && !todo.some((item) => item.turn === now);
  }
  function waits() {
    const mine = todo.filter((item) => item.turn === now);
    const place = (item) => (item.code === first ? -2 : left.indexOf(item.code));
    return mine.sort((a, b) => place(a) - place(b));
  }
  function current() { return waits()[0]; }
  // The piece of a label that was scanned comes next; what is smelt keeps its planned order.
  function scan(code) {
    const mine = todo.filter((item) => item.code.includes(code));
    const graded = mine.find((item) => item.test !== "throw" && item.test !== "pair");
    if (graded) { now = graded.turn; first = code; }
    else if (mine.length) say("Piece " + code + " is smelt in its turn: keep to the order of this page.");
    else say("Nothing of piece " + code + " waits for " + data.assessor + " today.");
  }
  function turnTo(turn) {
    if (tooSoon()) return;
    now = turn; left = []; first = null; say(""); show();
  }
  function putBack(item) {
    todo.unshift(item);
    scored[item.turn] = Math.max(0, (scored[item.turn] || 0) - 1);
    now = item.turn;
    left = left.filter((code) => code !== item.code);
    show();
  }

  // One per piece: a piece that is left for later stays on its warmer.
  function timers() {
    const kept = read(timerBox, []);
    return Array.isArray(kept) ? kept : [kept];
  }
  function timerSince(item) {
    const kept = timers().find((t) => same(t.item, item));
    return kept ? kept.since : null;
  }
  function tick() {
    const item = current(), since = item ? timerSince(item) : null;
    if (!$("clock")) return;
    $("clock").hidden = since === null;
    $("start").hidden = since !== null;  // a second tap would put the timer back
    if (since !== null) {
      const s = Math.max(0, Math.floor((Date.now() - since) / 1000));
      $("clock").textContent = Math.floor(s / 60) + ":" + String(s % 60).padStart(2, "0")
        + " on the warmer";
    }
  }

  function showChoices({ next, offered }) {
    $("choices").hidden = !offered.length;
    $("choices").replaceChildren(...offered.map(([turn, items]) => {
      const a = document.createElement("a"), item = items[0];
      a.className = "choice turn"; a.href = link(turn, []);
      if (turn === now) a.setAttribute("aria-current", "true");
      a.append(item.name, document.createElement("br"), items.length + " to score");
      a.addEventListener("click", (event) => { event.preventDefault(); turnTo(turn); });
      return a;
    }));
    $("pause").hidden = !ended();
    $("begin").hidden = !next;
    $("air").textContent = next ? "Air the room before the next one, session " + next.slice(6) + "."
      : "No other session waits for " + data.assessor + " today.";
    if (next) {
      $("begin").textContent = "Begin session " + next.slice(6);
      $("begin").href = link(next, []);
    }
  }

  const form = $("form");
  function show() {
    const found = choices();
    if (!found.offered.some(([turn]) => turn === now) && !ended()) {
      now = found.offered.length ? found.offered[0][0] : now;
    }
    const pieces = waits(), item = pieces[0];
    left = left.filter((code) => pieces.some((piece) => piece.code === code));
    history.replaceState(null, "", link(now, left));
    showChoices(found);
    form.hidden = !item;
    $("count").textContent = "";
    if (!item) {
      $("what").textContent = ended() ? "Session " + now.slice(6) + " is done"
        : queue.length ? "Nothing more to score, but not all is saved yet"
          : "All done: nothing waits for " + data.assessor + " today";
      $("code").textContent = $("age").textContent = "";
      $("shoot").hidden = true; showPhotos();
      return;
    }
    const done = scored[now] || 0;
    $("count").textContent = (item.test === "pair" ? "pair " : "piece ") + (done + 1) + " of " + (done + pieces.length)
      + (left.length ? " (" + left.length + " left for later)" : "");
    $("later").hidden = pieces.length < 2;
    $("what").textContent = item.what;
    $("code").textContent = item.code;
    $("age").textContent = item.age || "";
    form.elements.minutes.value = "";
    $("shoot").hidden = item.test === "pair";
    showPhotos();
    $("warmer").hidden = item.kind !== "warm";
    $("answers").replaceChildren($("answers-" + item.test).content.cloneNode(true));
    tick();
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const button = event.submitter;
    if (!button || button.name !== "value" || !current()) return;
    if (!tooSoon()) answer(button.value);
  });
  $("start").addEventListener("click", () => {
    const item = current();
    if (timerSince(item) === null) keep(timerBox, [...timers(), { item, since: Date.now() }]);
    tick();
  });
  $("camera").addEventListener("change", () => {
    const [file] = $("camera").files;
    if (file && current()) shoot(file);
    $("camera").value = "";
  });
  $("later").addEventListener("click", (event) => {
    event.preventDefault();
    if (tooSoon()) return;
    const { code } = current();
    left = [...left.filter((other) => other !== code), code];
    first = null;
    say(""); show(); scrollTo(0, 0);  // the code of the next piece stands at the top
  });
  $("begin").addEventListener("click", (event) => {
    event.preventDefault();
    turnTo(choices().next);
  });
  $("undo").addEventListener("click", async () => {
    if (!last) return;
    const undone = last;
    try {
      const { status, reply } = await post("undo", { table: undone.table,
        entry_id: undone.entry_id, assessor: data.assessor });
      line(true);
      if (status !== 200) { say("NOT UNDONE. " + reply.error, "warn"); return; }
      last = null; $("undo").disabled = true;
      if (undone.item) putBack(undone.item);
      else {
        const { code, name } = undone.photo;
        photos[code] = photos[code].filter((other) => other !== name);
        showPhotos();
      }
      say(reply.words, "saved");
    } catch { line(false); say("NOT UNDONE: no connection. Try again.", "warn"); }
  });

  async function beat() {
    if (shots.length) sendShots();
    if (queue.length) { await flush(); return; }
    try { await post("alive", {}); line(true); } catch { line(false); }
  }
  // What waits by the computer's word, but for what waits on this phone to be sent.
  function adopt(reply) {
    scored = reply.scored;
    todo = reply.items.filter((item) => !queue.some((s) => same(s.item, item)));
    for (const item of reply.items) {
      if (!todo.includes(item)) scored[item.turn] = (scored[item.turn] || 0) + 1;
    }
  }
  $("seen").addEventListener("click", () => { forget(refusedBox); showRefused([]); });
  adopt(data);
  if (data.scanned) scan(data.scanned);
  show(); showQueue(); showRefused(); flush();
  setInterval(beat, RETRY);
  setInterval(tick, 500);
  addEventListener("online", beat);
  addEventListener("offline", () => line(false));
  addEventListener("beforeunload", (event) => { if (queue.length || shots.length) event.preventDefault(); });
})();
