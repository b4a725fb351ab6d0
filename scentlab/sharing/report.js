"use strict";
// What the page offers beside its text: other units, the words of a point, other rules, an answer.
const all = (what, within = document) => [...within.querySelectorAll(what)];
all(".live").forEach((part) => { part.hidden = false; });
all(".dead").forEach((part) => { part.hidden = true; });

// Units: a load that is said in both is turned round; what is said in one carries its other words.
const both = /([\d.]+\s(%|oz\/lb))\s\(([\d.]+\s(?:%|oz\/lb))\)/g;
const turned = all("[data-oz]").map((part) => [part, part.dataset]);
let lookAgain = () => {};
all("input[name=unit]").forEach((choice) => choice.addEventListener("change", () => {
  for (const [part, words] of turned) part.textContent = words[choice.value];
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const text = texts.currentNode;
    if (text.parentNode.closest("script, style, .asked")) continue;
    text.data = text.data.replace(both, (said, first, unit, other) =>
      (unit === "%") === (choice.value === "wax") ? said : `${other}\n(${first})`);
  }
  lookAgain();
}));

// Points: those of a picture are reached by the pointer, a finger, or the arrow keys.
for (const figure of all("figure")) {
  const dots = all(".dot", figure);
  if (!dots.length) continue;
  const said = figure.appendChild(document.createElement("output"));
  let now = -1;
  const show = (place) => {
    if (place < 0) return;
    if (dots[now]) dots[now].classList.remove("now");
    now = (place + dots.length) % dots.length;
    dots[now].classList.add("now");
    said.textContent = dots[now].textContent;
    const code = said.textContent.replace(/^Piece (.*?), .*$/, "$1");
    const photo = all("img[data-code]").find((picture) => picture.dataset.code === code);
    if (photo) said.append(photo.cloneNode());
  };
  const near = (event) => {
    const away = dots.map((dot) => {
      const box = dot.getBoundingClientRect();
      return Math.hypot(box.x + box.width / 2 - event.clientX, box.y + box.height / 2 - event.clientY);
    });
    const least = Math.min(...away);
    return least <= 22 ? away.indexOf(least) : -1;
  };
  figure.addEventListener("pointerover", (event) => show(dots.indexOf(event.target)));
  figure.addEventListener("click", (event) => show(near(event)));
  figure.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    show(Math.max(now, step < 0 ? 0 : -1) + step + (step < 0 ? dots.length : 0));
  });
}

// Other rules: two sliders look up a row of the table that was computed with the report.
const choices = document.getElementById("choices");
if (choices) {
  const cells = () => all("tbody tr", choices).map((row) => all("td", row).map((c) => c.textContent));
  const rows = cells();
  const names = all("thead th", choices).map((head) => head.textContent);
  const steps = [0, 1].map((column) => [...new Set(rows.map((row) => row[column]))]);
  const sliders = [document.getElementById("risk"), document.getElementById("sure")];
  const look = () => {
    const rule = sliders.map((slider, i) => steps[i][slider.value]);
    const row = cells().find((found) => found[0] === rule[0] && found[1] === rule[1]);
    sliders.forEach((slider, i) => {
      slider.setAttribute("aria-valuetext", rule[i]);
      slider.nextElementSibling.textContent = rule[i];
    });
    const list = document.getElementById("then");
    list.replaceChildren(...row.slice(2).map((cell, i) => {
      const item = document.createElement("li");
      item.textContent = `${names[i + 2]}: ${cell}`;
      return item;
    }));
  };
  sliders.forEach((slider) => slider.addEventListener("input", look));
  lookAgain = look;
  look();
}

// The answer to the maker: a small file, as the maker's own program reads it.
const reply = document.getElementById("reply");
const value = (field) => field.value.trim();
// A box of numbers would drop a comma in silence, so that 2,5 became 25.
const number = (field) => Number(value(field).replace(",", "."));
const more = (part) => {
  const next = part.querySelector(".fact").cloneNode(true);
  all("input", next).forEach((field) => { field.value = ""; });
  part.insertBefore(next, part.querySelector(".more"));
  return next;
};
const answer = () => {
  const data = { kind: reply.dataset.kind, format: Number(reply.dataset.format),
    package: reply.dataset.page, sender: reply.elements.sender.value, lots: [], rules: {},
    limits: {}, note: value(reply.elements.note), answers: [],
    answered_on: new Date(Date.now() - 6e4 * new Date().getTimezoneOffset()).toISOString().slice(0, 10) };
  for (const field of all("[data-question]", reply)) {
    if (value(field)) data.answers.push({ question: field.dataset.question, answer: value(field) });
  }
  for (const field of all("[data-share]", reply)) {
    if (value(field)) data.rules[field.dataset.share] = number(field) / 100;
  }
  for (const field of all("[data-limit]", reply)) {
    if (value(field)) data.limits[field.dataset.limit] = number(field);
  }
  for (const part of all(".fact", reply)) {
    const [lot, what, found, unit] = all("input", part).map(value);
    if (lot || what || found || unit) {
      data.lots.push({ material: part.parentNode.dataset.lot, lot: lot || "not given",
        what: what || "not given", value: found.replace(/^(-?\d+),(\d+)$/, "$1.$2") || "not given", unit });
    }
  }
  return data;
};
// What was typed is kept until the tab is closed, so that it outlives a reload of the page.
const store = (work) => { try { return work(sessionStorage); } catch { return null; } };
const fields = () => all("input, textarea", reply);
if (reply) {
  const name = `answer ${reply.dataset.page}`;
  const kept = JSON.parse(store((s) => s.getItem(name)) || "null");
  if (kept) {
    all("[data-lot]", reply).forEach((part, i) => { for (let n = 1; n < kept.rows[i]; n += 1) more(part); });
    fields().forEach((field, i) => { field.value = kept.typed[i] ?? ""; });
  }
  const keep = () => store((s) => s.setItem(name, JSON.stringify({
    rows: all("[data-lot]", reply).map((part) => all(".fact", part).length),
    typed: fields().map((field) => field.value) })));
  // Lots are compared by their letters and digits: "lot C-41" is "C 41".
  const plain = (lot) => lot.toLowerCase().replace(/\b(lots?|invented)\b|[\s.,;:#_-]/g, "");
  const check = () => {
    all("[data-low]", reply).forEach((field) => {
      const { low, high } = field.dataset, right = number(field) >= low && number(field) <= high;
      field.setCustomValidity(!value(field) || right ? "" : `Type a number from ${low} to ${high}.`);
    });
    all("[data-tested]", reply).forEach((part) => {
      const known = JSON.parse(part.dataset.tested).map(plain);
      const seen = (lot) => [lot, ...lot.split(/[,;]/)].some((one) => known.includes(plain(one)));
      const odd = all(".fact", part).map((fact) => value(fact.querySelector("input")))
        .filter((lot) => known.length && lot && !seen(lot));
      part.querySelector(".odd").textContent = odd.length
        ? `Lot ${odd.join(", ")} is not one of those tested here (${part.dataset.words}). It will be sent as typed.` : "";
    });
  };
  check();
  const saved = document.getElementById("saved");
  // What was saved before is not what is typed now, and may be refused.
  reply.addEventListener("input", () => { keep(); check(); saved.textContent = ""; });
  all(".more", reply).forEach((button) => button.addEventListener("click", () => {
    more(button.parentNode).querySelector("input").focus();
    keep();
  }));
  reply.addEventListener("submit", (event) => {
    event.preventDefault();
    const data = answer();
    const said = [data.note, ...data.answers, ...data.lots, ...Object.keys(data.rules), ...Object.keys(data.limits)];
    if (!said.some(Boolean)) {
      saved.textContent = "Nothing was saved: no question is answered and nothing else is filled in.";
      return;
    }
    const text = new Blob([`${JSON.stringify(data, null, 1)}\n`], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(text);
    link.download = `answer-${reply.dataset.name}-${data.answered_on}.json`;
    link.click();
    saved.textContent = `Saved as ${link.download}. Nothing was sent: mail it to the maker yourself.`;
  });
}
