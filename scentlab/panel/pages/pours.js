// The pour day on a phone: what is typed stays on the phone until the store has acknowledged it. Each
// pour has a key of its own, so that sending it again stores nothing twice.
"use strict";
(function () {
  const { data, $, read, keep, newKey, say, post } = phone;
  const RETRY = 3000, DOUBLE_TAP = 600;
  // What the pours of a day share is typed once.
  const STAYS = ["stir_min", "room_temp_c", "scale_check_g", "day"];
  const form = $("form"), names = [...form.elements].map((e) => e.name).filter(Boolean);
  const box = "scentlab-pour-typed", waitBox = "scentlab-pour-waits", unitBox = "scentlab-units";
  let pours = data.pours, chosen = null, sure = [], last = null, sending = false, askedAt = -Infinity;
  let waits = read(waitBox, null);

  function showWaiting() {
    $("waiting").hidden = !waits;
    $("waiting").textContent = waits ? "NOT SAVED YET: test batch " + waits.pour + " waits on this phone "
      + "and is sent again automatically. Leave this page open." : "";
    $("save").disabled = Boolean(waits);
  }
  function show() {
    const left = pours.filter((p) => !p.logged && !p.gone), due = left.filter((p) => p.due);
    const gone = pours.filter((p) => p.gone);
    $("due").textContent = !pours.length ? "No plan is kept, so there is nothing to weigh."
      : !left.length ? (gone.length ? "All other test batches are logged." : "All test batches are logged.")
        : due.length ? "Due today: " + due.length + " of " + pours.length + " test batches, pot "
          + [...new Set(due.map((p) => p.pot))].join(", ") + "."
          : "Nothing is due today; the next pot is planned for " + left[0].day + ".";
    const logged = pours.length - left.length - gone.length;
    $("due").textContent += logged && left.length
      ? " " + logged + (logged === 1 ? " is logged." : " are logged.") : "";
    $("due").textContent += gone.map((p) => " " + p.gone + ".").join("");
    // Those that are done are out of the way.
    const pots = [...new Set([...left, ...gone].map((p) => p.pot))];
    $("pots").replaceChildren(...pots.map((pot) => {
      const part = document.createElement("section"), head = document.createElement("h2");
      const own = pours.filter((p) => p.pot === pot);
      head.textContent = "Pot " + pot + (own[0].day ? ", planned for " + own[0].day : "");
      part.append(head, ...own.map((p) => {
        const button = document.createElement("button");
        button.type = "button"; button.disabled = p.logged;
        button.textContent = p.pour + (p.logged ? " (logged)" : p.gone ? " (not poured)" : "");
        button.setAttribute("aria-pressed", String(p.pour === chosen));
        button.addEventListener("click", () => choose(p.pour));
        return button;
      }));
      return part;
    }));
    const pour = pours.find((p) => p.pour === chosen && !p.logged);
    form.hidden = !pour;
    if (pour) {
      $("drop").hidden = Boolean(pour.gone);
      $("what").textContent = "Test batch " + pour.pour;
      $("usual").textContent = pour.usual;
      $("weigh").textContent = pour.weigh.join(", ");
      $("plan").textContent = "Plan: " + [pour.blend, pour.load].filter(Boolean).join("; ") + ". " + pour.heat;
    }
    showWaiting();
  }
  function choose(pour) {
    keepTyped();
    chosen = pour; sure = [];
    const typed = read(box, {})[pour] || {};
    for (const name of names) {
      form.elements[name].value = typed[name] || (STAYS.includes(name) ? form.elements[name].value : "");
    }
    say(""); show();
    form.scrollIntoView();
  }
  function typed() { return Object.fromEntries(names.map((n) => [n, form.elements[n].value])); }
  function keepTyped() { if (chosen) keep(box, { ...read(box, {}), [chosen]: typed() }); }

  // A bare number is in the unit that the page shows beside it.
  function showUnits() {
    const place = Number($("units").value);
    form.querySelectorAll("[data-units]").forEach((span) => {
      span.textContent = span.dataset.units.split(",")[place];
    });
  }

  async function send() {
    if (sending || !waits) return;
    sending = true;
    try {
      const sent = waits, { status, reply: told } = await post("save", sent);
      if (status >= 500) { say("NOT SAVED YET. " + told.error, "warn"); }
      else {
        waits = null; keep(waitBox, null);
        if (told.pours) pours = told.pours;
        if (status === 200) saved(sent, told);
        else if (told.doubts) {
          sure = told.doubts; askedAt = performance.now();
          say("NOT SAVED YET. " + told.doubts.join(" ") + " Tap Save again to store it, or correct it.", "warn");
        } else say("NOT SAVED. " + told.error, "warn");
      }
    } catch { say("NOT SAVED YET: no connection.", "warn"); }
    sending = false;
    show();
  }
  function saved(sent, told) {
    const { [sent.pour]: gone, ...others } = read(box, {});
    keep(box, others);
    last = { entry_id: told.entry_id, table: told.table, pour: sent.pour, typed: gone || {} };
    $("undo").hidden = false;
    if (chosen === sent.pour) {
      chosen = null; sure = [];
      for (const name of names) if (!STAYS.includes(name)) form.elements[name].value = "";
    }
    say(told.words, "saved");
    scrollTo(0, 0);
  }

  form.addEventListener("input", () => { sure = []; keepTyped(); });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    // The second tap of a double tap would answer what nobody has read yet.
    if (waits || !chosen || performance.now() - askedAt < DOUBLE_TAP) return;
    const { day, ...values } = typed();
    waits = { key: newKey(), pour: chosen, typed: values, units: Number($("units").value), day, sure };
    keep(waitBox, waits); showWaiting(); send();
  });
  $("drop").addEventListener("click", async () => {
    if (waits || !chosen) return;
    const dropped = { key: newKey(), pour: chosen, note: typed().note };
    try {
      const { status, reply: told } = await post("drop", dropped);
      if (told.pours) pours = told.pours;
      if (status === 200) saved(dropped, told);
      else say("NOT SAVED. " + told.error, "warn");
    } catch { say("NOT SAVED: no connection. Try again.", "warn"); }
    show();
  });
  $("units").addEventListener("change", () => { showUnits(); keep(unitBox, $("units").value); });
  $("undo").addEventListener("click", async () => {
    if (!last) return;
    try {
      const { status, reply: told } = await post("undo", { entry_id: last.entry_id, table: last.table });
      if (status !== 200) { say("NOT UNDONE. " + told.error, "warn"); return; }
      pours = told.pours;
      keep(box, { ...read(box, {}), [last.pour]: last.typed });
      const { pour } = last;
      last = null; $("undo").hidden = true;
      if (chosen === pour) chosen = null;  // what was typed then comes back
      choose(pour); say(told.words, "saved");
    } catch { say("NOT UNDONE: no connection. Try again.", "warn"); }
  });
  // What was chosen on this phone, or else the units of the workshop.
  $("units").value = read(unitBox, "") || $("units").value;
  showUnits(); show(); send();
  setInterval(send, RETRY);
  addEventListener("beforeunload", (event) => { if (waits) event.preventDefault(); });
})();
