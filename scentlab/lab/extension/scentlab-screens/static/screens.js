// Runs the kit's own notebooks when they are opened, and nothing else; shows them from their top.
// Written by hand as a module-federation container, so that nothing has to be built.
(() => {
  const config = JSON.parse(document.getElementById("jupyter-config-data").textContent);
  // The server gives these names to the kit's notebooks only, whatever lies on the disk.
  const pages = new Set(config.scentlabPages || []);
  const begun = new WeakSet();
  const isPage = (panel) => pages.has((panel.context?.path || "").split("/").pop());

  async function begin(app, panel) {
    if (begun.has(panel)) return;
    begun.add(panel);
    await panel.context.ready;
    await panel.sessionContext.ready;
    panel.addClass("scentlab-page");
    nameTab(panel);
    app.shell.activateById(panel.id);
    await fresh(panel.sessionContext);
    await app.commands.execute("notebook:run-all-cells");
    panel.content.activeCellIndex = 0;
    panel.content.node.scrollTop = 0;
    panel.content.node.querySelector(".jp-WindowedPanel-outer")?.scrollTo(0, 0);
  }

  // A page that is loaded again meets the kernel of before, whose widgets the browser knows no more:
  // it would stay empty. What was saved is in the series. A second window ends the page in the first.
  async function fresh(context) {
    const asked = context.session?.kernel?.requestExecute({ code: "", silent: true });
    const reply = await asked?.done.catch(() => null); // without a kernel the page says what to press
    if (reply?.content.execution_count > 0) await context.restartKernel();
  }

  // Two series have a page of the same name: the tab says which it is of. A label of another name
  // would be taken for a new name of the file, so the words stand in the tab's data.
  function nameTab(panel) {
    const [name, folder] = panel.context.path.split("/").reverse();
    const page = name.replace(".ipynb", "");
    const words = page[0].toUpperCase() + page.slice(1) + (folder ? `: ${folder}` : "");
    panel.title.dataset = { ...panel.title.dataset, scentlab: words };
  }

  function look(app) {
    for (const panel of app.shell.widgets("main")) if (isPage(panel)) begin(app, panel);
  }

  function follow(app, event) {
    const link = event.target.closest?.("a[data-scentlab-page], a[data-scentlab-file]");
    if (!link) return;
    event.preventDefault();
    const { scentlabPage: page, scentlabFile: file } = link.dataset;
    if (page) app.commands.execute("docmanager:open", { path: page });
    else window.open(config.baseUrl + "files/" + file.split("/").map(encodeURIComponent).join("/"));
  }

  const plugin = {
    id: "scentlab-screens:run",
    autoStart: true,
    activate: (app) => {
      if (!pages.size) return;
      app.restored.then(() => {
        app.shell.collapseLeft?.();
        look(app);
        app.shell.layoutModified?.connect(() => look(app));
        app.shell.currentChanged?.connect(() => look(app));
      });
      document.addEventListener("click", (event) => follow(app, event), true);
      // JupyterLab draws the line below a tab that is not in front with the same ::after; the name
      // thrice is stronger than that, and the line is a shadow.
      const style = document.createElement("style");
      style.textContent = `.scentlab-page .jp-CodeCell .jp-Cell-inputWrapper,
        .scentlab-page .jp-OutputPrompt, .scentlab-page .jp-OutputArea-promptOverlay,
        .scentlab-page .jp-OutputCollapser,
        .scentlab-page .jp-NotebookPanel-toolbar, .scentlab-page .jp-cell-toolbar,
        .scentlab-page .jp-Notebook-footer,
        .lm-TabBar-tab[data-scentlab] .lm-TabBar-tabLabel { display: none }
        .lm-TabBar-tab[data-scentlab][data-scentlab][data-scentlab]::after {
          content: attr(data-scentlab); position: static; width: auto; border: 0; flex: 1 1 auto;
          order: 1; overflow: hidden; text-overflow: ellipsis; white-space: nowrap }
        .lm-TabBar-tab[data-scentlab]:not(.lm-mod-current) {
          box-shadow: inset 0 calc(-1 * var(--jp-border-width)) var(--jp-border-color1) }
        .lm-TabBar-tab[data-scentlab] .lm-TabBar-tabCloseIcon { order: 2 }`;
      document.head.append(style);
    },
  };
  (window._JUPYTERLAB = window._JUPYTERLAB || {})["scentlab-screens"] = {
    init: () => {},
    get: async () => () => ({ __esModule: true, default: plugin }),
  };
})();
