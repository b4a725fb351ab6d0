// A grid of cells to type into: sections of rows, a row for each blind code. What is typed is told
// to the kernel as it is typed, and once more with the tap that saves (form.js reads the fields).
export default {
  render({ model, el }) {
    const inputs = new Map();

    function cell(spec, tag = "td", mode = "decimal") {
      const box = document.createElement(tag);
      box.className = "scent-field-" + spec.name;
      const input = document.createElement("input");
      input.type = "text";
      input.inputMode = mode;
      input.autocomplete = "off";
      input.setAttribute("aria-label", spec.label);
      input.addEventListener("input", () => {
        model.set("values", { ...model.get("values"), [spec.name]: input.value });
        model.save_changes();
      });
      inputs.set(spec.name, input);
      box.append(input);
      return box;
    }
    function text(tag, words, scope) {
      const made = document.createElement(tag);
      made.textContent = words;
      if (scope) made.scope = scope;
      return made;
    }
    // The label is seen here and spoken by the input's own name.
    function day(spec) {
      const line = document.createElement("div");
      line.className = "scent-day";
      const seen = text("span", "Inspected on ");
      seen.setAttribute("aria-hidden", "true");
      line.append(seen, cell(spec, "span", "text"), text("small", " " + spec.hint));
      return line;
    }
    function build() {
      el.replaceChildren();
      inputs.clear();
      for (const section of model.get("sections")) {
        const table = document.createElement("table");
        const caption = text("caption", section.title);
        if (section.day) caption.append(day(section.day));
        table.append(caption);
        const head = document.createElement("tr");
        for (const words of section.heads) head.append(text("th", words, "col"));
        table.append(head);
        for (const row of section.rows) {
          const line = document.createElement("tr");
          line.append(text("th", row.code, "row"), ...row.cells.map((spec) => cell(spec)));
          table.append(line);
        }
        el.append(table);
      }
      show();
    }
    function show() {
      const values = model.get("values"), saved = model.get("saved"), wrong = model.get("wrong");
      for (const [name, input] of inputs) {
        const value = values[name] || "";
        if (input.value !== value && document.activeElement !== input) input.value = value;
        input.disabled = saved.includes(name);
        input.placeholder = input.disabled ? "saved" : "";
        if (input.disabled) input.value = "";
        input.setAttribute("aria-invalid", wrong.includes(name) ? "true" : "false");
      }
    }
    // Enter goes to the cell below, as on a sheet of paper.
    function down(event) {
      if (event.key !== "Enter" || event.target.tagName !== "INPUT") return;
      if (event.target.closest("caption")) {
        const first = event.target.closest("table").querySelector("td input:enabled");
        if (first) first.focus();
        return;
      }
      const line = event.target.closest("tr");
      const place = Array.from(line.children).indexOf(event.target.closest("td"));
      let next = line.nextElementSibling;
      while (next && next.children[place].firstChild.disabled) next = next.nextElementSibling;
      if (next) next.children[place].firstChild.focus();
    }
    el.classList.add("scent-grid");
    el.addEventListener("keydown", down);
    model.on("change:sections", build);
    model.on("change:values change:saved change:wrong", show);
    build();
    return () => {
      model.off("change:sections", build);
      model.off("change:values change:saved change:wrong", show);
      el.removeEventListener("keydown", down);
    };
  },
};
