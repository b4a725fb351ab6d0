"use strict";
// What the page offers beside its text: other units, the words of a point, other rules, an answer.
const all = (what, within = document) => [...within.querySelectorAll(what)];
all(".live").forEach((part) => { part.hidden = false; });

// Units: every load carries its words in the other bases.
const loads = all("[data-oz]").map((part) => [part, part.dataset]);
all("input[name=unit]").forEach((choice) => choice.addEventListener("change", () => {
  for (const [part, words] of loads) part.textContent = words[choice.value];
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
  figure.addEventListener("pointerover", (event) => show(dots.indexOf(event.target)));
  figure.addEventListener("click", (event) => show(dots.indexOf(event.target)));
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
  const rows = all("tbody tr", choices).map((row) => all("td", row).map((c) => c.textContent));
  const names = all("thead th", choices).map((head) => head.textContent);
  const steps = [0, 1].map((column) => [...new Set(rows.map((row) => row[column]))]);
  const sliders = [document.getElementById("risk"), document.getElementById("sure")];
  const look = () => {
    const rule = sliders.map((slider, i) => steps[i][slider.value]);
    const row = rows.find((cells) => cells[0] === rule[0] && cells[1] === rule[1]);
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
  look();
}

// The answer to the maker: a small file, as the maker's own program reads it.
const reply = document.getElementById("reply");
const answer = () => {
  const data = { kind: reply.dataset.kind, format: Number(reply.dataset.format),
    package: reply.dataset.page, sender: reply.elements.sender.value, lots: [], rules: {},
    limits: {}, note: "" };
  const said = all("[data-question]", reply).map((field, i) => [`${i + 1}. `, field.value.trim()]);
  said.push(["", reply.elements.note.value.trim()]);
  data.note = said.filter((words) => words[1]).map((words) => words.join("")).join("\n");
  for (const field of all("[data-share]", reply)) {
    if (field.value.trim()) data.rules[field.dataset.share] = Number(field.value) / 100;
  }
  for (const field of all("[data-limit]", reply)) {
    if (field.value.trim()) data.limits[field.dataset.limit] = Number(field.value);
  }
  for (const part of all("[data-lot]", reply)) {
    const [lot, what, value] = all("input", part).map((f) => f.value.trim() || "not given");
    if (all("input", part).some((f) => f.value.trim())) {
      data.lots.push({ material: part.dataset.lot, lot, what, value });
    }
  }
  return data;
};
if (reply) {
  reply.addEventListener("submit", (event) => {
    event.preventDefault();
    const text = new Blob([`${JSON.stringify(answer(), null, 1)}\n`], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(text);
    link.download = "answer.json";
    link.click();
    document.getElementById("saved").textContent =
      "Saved as answer.json. Mail it to the maker yourself: nothing was sent.";
  });
}
