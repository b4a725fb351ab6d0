// What a tester scores: what is due, its order, the timers, photos, and what can be undone.
"use strict";
(function () {
  const { data, base, $, read, keep, newKey, say, post, queue } = phone;
  const { same } = queue, timerBox = "scentlab-timer-" + data.assessor;
  // The second tap of a double tap would meet the next piece.
  const LONGEST = 1600, DOUBLE_TAP = 600, HINT = 4000;
  const RANK = ["sweat", "frost", "throw", "pair"];
  // What was scored in this visit, which a reload does not end.
  const doneBox = "scentlab-done-" + data.assessor, done = read(doneBox, [], "sessionStorage");
  const shots = queue.page.more, photos = data.photos;
  let todo, shooting = false, first = null, tapped = -Infinity, undoneAt = -Infinity, hinted = null, rested = null;
  let now = data.now, left = data.later, scored = data.scored, sure = null, stop = null;

  function showRefused(list = queue.refusedOf(data.assessor)) {
    $("refused").hidden = !list.length;
    $("refusals").replaceChildren(...list.map(({ words }) => {
      const line = document.createElement("li");
      line.textContent = words;
      return line;
    }));
  }
  function showDone() {
    keep(doneBox, done.slice(-50), "sessionStorage");
    const last = done[done.length - 1];
    $("undo").textContent = last ? "Undo " + last.words : "Undo";
  }
  Object.assign(queue.page, {
    saved(score, reply) {
      if (!done.some((d) => d.key === score.body.key)) noteDone(score);  // of an earlier visit
      showRefused();
      if (!current()) show();
      say(reply.words, "saved");
    },
    refused(score, reply) {
      done.splice(0, done.length, ...done.filter((d) => d.key !== score.body.key));
      showDone(); showRefused();
      if (reply.items) { adopt(reply); show(); } else putBack(score.item);
    },
    undone({ item }, reply) {  // after a reload it may be missing
      if (reply.items) { adopt(reply); show(); }
      else if (!queue.mine().some((s) => same(s.item, item)) && !todo.some((other) => same(other, item))) putBack(item);
    },
    beat() { if (shots.length) sendShots(); },
  });
  function noteDone({ item, body }) {
    done.push({ table: queue.table(item.test), key: body.key, item, words: item.code });
    showDone();
  }
  // A tap that comes too soon would meet a piece that was not looked at yet.
  function tooSoon() {
    const soon = performance.now() - tapped < DOUBLE_TAP;
    if (!soon) {
      tapped = performance.now();
      document.body.classList.add("soon");
      clearTimeout(rested);
      rested = setTimeout(() => document.body.classList.remove("soon"), DOUBLE_TAP);
    }
    clearTimeout(hinted);
    $("hint").hidden = !soon;
    hinted = setTimeout(() => { $("hint").hidden = true; }, HINT);
    return soon;
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
    say("The photo of piece " + item.code + " is being prepared.");
    const blob = await scaled(file);
    if (blob.size > data.largest_photo) {
      say("NOT SAVED: the photo of piece " + item.code + ". It has " + Math.ceil(blob.size / 1e6)
        + " MB and this browser cannot make it smaller; the limit is " + data.largest_photo / 1e6
        + " MB. Set the camera to smaller JPEG photos and take it again.", "warn");
      return;
    }
    shots.push({ item, at, key: newKey(), blob });
    queue.show(); sendShots();
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
        queue.line(true);
        if (status >= 500) { say("NOT SAVED YET. " + reply.error, "warn"); break; }
        shots.shift();
        if (status !== 200) {
          say("NOT SAVED: the photo of piece " + item.code + ". " + reply.error, "warn");
          continue;
        }
        done.push({ table: "photos", key, photo: { code: item.code, name: reply.name },
          words: "photo of " + item.code });
        showDone();
        photos[item.code] = [...(photos[item.code] || []).filter((n) => n !== reply.name), reply.name];
        showPhotos(); say(reply.words, "saved");
      }
    } catch { queue.line(false); }
    shooting = false;
    queue.show();
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

  function clock(seconds) {
    const s = Math.max(0, Math.floor(seconds));
    return Math.floor(s / 60) + ":" + String(s % 60).padStart(2, "0");
  }
  // Minutes on the warmer, typed or timed; null where nobody knows them, and a word of what is wrong.
  function warmed(item) {
    const typed = item.test === "pair" ? "" : form.elements.minutes.value.trim(), since = timerSince(item);
    if (typed === "") {
      const wrong = since === null && item.test !== "pair";
      return { minutes: since === null ? null : Math.max(0, Date.now() - since) / 60000,
        wrong: wrong ? "Start the timer when the warmer goes on, or type the minutes." : "" };
    }
    const minutes = /^\d+([.,]\d*)?$/.test(typed) ? Number(typed.replace(",", ".")) : NaN;
    return { minutes, wrong: minutes <= data.most_min ? "" : "The minutes must be a number from 0 to "
      + data.most_min + ", such as 30 or 30.5." };
  }
  // A score far from the planned minutes is asked about once, and stored as it is when tapped again.
  function doubted(item, minutes, value) {
    const plan = item.warm_min;
    if (!plan || minutes === null || (minutes >= 0.8 * plan && minutes <= 2 * plan)) return false;
    if (sure && sure.item === item && sure.value === value) return false;
    sure = { item, value };
    say("NOT SAVED YET. " + (minutes < plan ? "Only " : "") + clock(60 * minutes)
      + " on the warmer, really? The plan says " + clock(60 * plan) + ". Tap the same answer again to "
      + "save it anyway.", "warn");
    return true;
  }
  function answer(value) {
    const item = current(), { minutes, wrong } = item.hot ? warmed(item) : { minutes: null };
    if (wrong) { say("NOT SAVED. " + wrong, "warn"); return; }
    if (doubted(item, minutes, value)) return;
    const body = { key: newKey(), assessor: data.assessor, value: String(value),
      minutes: minutes === null ? null : String(Math.round(minutes * 100) / 100) };
    for (const k of ["code", "test", "sitting", "kind", "position"]) body[k] = item[k];
    const score = { code: item.code, at: Date.now(), item, body };
    now = item.turn;
    todo = todo.filter((other) => other !== item);
    scored[item.turn] = (scored[item.turn] || 0) + 1;
    keep(timerBox, timers().filter((t) => !same(t.item, item)));
    say(""); noteDone(score);
    queue.add(score); show();
  }

  // What is done now and what was left for later stand in the link, so that a reload keeps them.
  function link(turn, later) {
    const query = new URLSearchParams({ now: turn });
    later.forEach((code) => query.append("later", code));
    return base + "score/" + data.assessor + "?" + query;
  }
  // Pairs come when their pieces were smelt one by one.
  function ready() {
    const smelt = new Set(todo.filter((item) => item.test === "throw").map((item) => item.code));
    return todo.filter((item) => item.test !== "pair" || !item.code.split(" then ").some((c) => smelt.has(c)));
  }
  // What can be done now, a list of items a turn: of sessions the first.
  function choices() {
    const found = new Map();
    for (const item of ready()) found.set(item.test, [...(found.get(item.test) || []), item]);
    return [...found.values()].map((items) => items.filter((item) => item.turn === items[0].turn));
  }
  function turnWords(turn) {
    const at = turn.indexOf(" ");
    return at < 0 ? turn : "session " + turn.slice(at + 1);
  }
  // What is over stays on the page until the next thing is begun: the hand rests, the room is aired.
  function ended() {
    return scored[now] > 0 && todo.length > 0 && !ready().some((item) => item.turn === now);
  }
  function waits() {
    const mine = ready().filter((item) => item.turn === now);
    const place = (item) => (item.code === first ? -2 : left.indexOf(item.code));
    return mine.sort((a, b) => place(a) - place(b));
  }
  function current() { return stop ? undefined : waits()[0]; }
  // The piece of a label that was scanned comes next; what is smelt keeps its planned order.
  function scan(code) {
    let head = "nothing to score";
    let why = "There is nothing to score on this piece for " + data.assessor + " now. Check its label again.";
    const mine = todo.filter((item) => item.code.split(" then ").includes(code));
    const due = mine.find((item) => RANK.indexOf(item.test) < 2)
      || choices().map(([item]) => item).find((item) => item.code === code);
    if (due) { now = due.turn; first = code; return; }
    if (mine.length) { head = "not now"; why = "It is smelt in its turn (" + mine[0].name + ")."; }
    if (queue.mine().some((s) => s.code === code)) {
      head = "scored already"; why = "Its score waits on this phone.";
    }
    stop = { head: code + ": " + head, why };
  }
  function turnTo(turn) {
    if (tooSoon()) return;
    if (turn !== now) left = [];
    now = turn; first = stop = null; say(""); show();
  }
  function putBack(item) {
    todo = [item, ...todo.filter((other) => !same(other, item))];
    todo.sort((a, b) => RANK.indexOf(a.test) - RANK.indexOf(b.test));  // what is due keeps its order
    scored[item.turn] = Math.max(0, (scored[item.turn] || 0) - 1);
    now = item.turn; stop = null;
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
    const item = current(), since = item ? timerSince(item) : null, plan = item && item.warm_min;
    const passed = (Date.now() - since) / 1000, due = since !== null && plan && passed >= 60 * plan;
    $("clock").hidden = since === null && !plan;
    $("start").hidden = since !== null;  // a second tap would put the timer back
    $("clock").classList.toggle("due", Boolean(due));
    $("clock").textContent = (since === null ? "" : clock(passed) + " on the warmer")
      + (due ? ": smell it now" : plan ? (since === null ? "Smell at " : ", smell at ") + clock(60 * plan) : "");
  }

  function showChoices(offered) {
    $("choices").hidden = !offered.length;
    $("choices").replaceChildren(...offered.map(([item, ...more]) => {
      const a = document.createElement("a"), { turn } = item;
      a.className = "choice turn"; a.href = link(turn, []);
      if (turn === now && !stop) a.setAttribute("aria-current", "true");
      a.append(item.name, document.createElement("br"), 1 + more.length + " to score");
      a.addEventListener("click", (event) => { event.preventDefault(); turnTo(turn); });
      return a;
    }));
  }
  // Between two turns, and after a label that is not to be scored now: nothing can be tapped here that
  // scores another piece.
  function showPause(offered, next) {
    const session = now.includes(" ") && next && next.turn.includes(" ");
    $("pause").hidden = !stop && !ended();
    $("begin").hidden = !next;
    $("air").textContent = stop ? stop.why + (next ? "" : " Nothing else waits for " + data.assessor + " today.")
      : session ? "Air the room before the next one, " + turnWords(next.turn) + "."
        : next ? "Next: " + next.name + "." : "";
    if (!next) return;
    $("begin").textContent = stop ? "Go on with " + next.code : "Begin " + turnWords(next.turn);
    $("begin").href = link(next.turn, []);
    $("begin").dataset.turn = next.turn;
  }

  const form = $("form");
  function show() {
    const offered = choices();
    if (!offered.some(([item]) => item.turn === now) && !ended()) {
      now = offered.length ? offered[0][0].turn : now;
    }
    const pieces = waits(), item = current();
    const next = (offered.find(([other]) => other.test === now.split(" ")[0].replace("pairs", "pair"))
      || offered[0] || [])[0];
    left = left.filter((code) => pieces.some((piece) => piece.code === code)); sure = null;
    history.replaceState(null, "", link(now, left));
    showChoices(offered); showPause(offered, pieces[0] || next);
    form.hidden = !item;
    $("count").textContent = "";
    if (!item) {
      const over = turnWords(now);
      $("what").textContent = stop ? stop.head
        : ended() ? over[0].toUpperCase() + over.slice(1) + " is done"
          : queue.mine().length ? "Nothing more to score, but not all is saved yet"
            : $("refused").hidden ? "Nothing waits for " + data.assessor + " today"
              : "Nothing more to score; read above what was not saved";
      $("code").textContent = $("age").textContent = "";
      $("shoot").hidden = true; showPhotos();
      return;
    }
    const number = scored[now] || 0, pair = item.test === "pair", name = pair ? "pair" : "piece";
    $("count").textContent = name + " " + (number + 1) + " of " + (number + pieces.length)
      + (left.length ? " (" + left.length + " left for later)" : "");
    $("later").hidden = pieces.length < 2;
    $("later").textContent = "Leave this " + name + " for later";
    $("what").textContent = item.what;
    $("code").textContent = item.code;
    $("age").textContent = item.age || "";
    $("how").hidden = !item.how; $("how").textContent = item.how || "";
    form.elements.minutes.value = "";
    $("shoot").hidden = pair;
    showPhotos();
    $("warmer").hidden = !item.hot;
    $("typed").hidden = pair;
    $("answers").replaceChildren($("answers-" + item.test).content.cloneNode(true));
    tick();
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const button = event.submitter;
    if (!button || button.name !== "value" || !current()) return;
    if (!tooSoon()) answer(button.value);
  });
  form.addEventListener("input", () => { sure = null; say(""); });
  $("start").addEventListener("click", () => {
    const item = current();
    if (timerSince(item) === null) keep(timerBox, [...timers(), { item, since: Date.now() }]);
    say(""); tick();
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
    turnTo($("begin").dataset.turn);
  });
  $("undo").addEventListener("click", async () => {
    if (performance.now() - undoneAt < DOUBLE_TAP) return;
    undoneAt = performance.now();
    const last = done[done.length - 1];
    if (!last) {
      say("Nothing else from this visit can be undone here. For an older score, give the maker its code.");
      return;
    }
    if (last.item && queue.undo(last.key)) {
      takeBack(last, "Undone: " + last.words + ". It was not saved yet.");
      return;
    }
    try {
      const { status, reply } = await post("undo", { table: last.table, key: last.key,
        assessor: data.assessor });
      queue.line(true);
      if (status === 200) takeBack(last, reply.words);
      else {
        // Refused for good, it must not bar the way to those before it.
        if (status < 500) { done.splice(done.indexOf(last), 1); showDone(); }
        say("NOT UNDONE. " + reply.error, "warn");
      }
    } catch { queue.line(false); say("NOT UNDONE: no connection. Try again.", "warn"); }
  });
  function takeBack(last, words) {
    done.splice(done.indexOf(last), 1); showDone();
    if (last.item) putBack(last.item);
    else {
      const { code, name } = last.photo;
      photos[code] = (photos[code] || []).filter((other) => other !== name);
      showPhotos();
    }
    say(words, "saved");
  }

  // What waits by the computer's word, but for what waits on this phone to be sent.
  function adopt(reply, unseen = []) {
    const given = [...queue.mine(), ...unseen];
    scored = reply.scored;
    todo = reply.items.filter((item) => !given.some((s) => same(s.item, item)));
    for (const item of reply.items) {
      if (!todo.includes(item)) scored[item.turn] = (scored[item.turn] || 0) + 1;
    }
  }
  $("seen").addEventListener("click", () => { queue.seen(); showRefused([]); show(); });
  adopt(data, queue.unseen());
  if (data.scanned) scan(data.scanned);
  showRefused(); show(); showDone();
  setInterval(tick, 500);
})();
