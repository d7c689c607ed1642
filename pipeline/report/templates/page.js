(() => {
  "use strict";

  // --- how old a day is, by the reader's clock ----------------------------------------------------------------------------
  for (const day of document.querySelectorAll("time[data-age]")) {
    const now = new Date();
    const days = Math.round((Date.UTC(now.getFullYear(), now.getMonth(), now.getDate()) - Date.parse(day.dateTime)) / 86400000);
    const age = document.createElement("small");
    age.className = "under quiet";
    age.textContent = days === 1 ? " yesterday" : days >= 0 ? ` ${days} days ago` : ` ${-days} days ahead`;
    day.append(age);
  }

  // --- a long time-line: its newest days first in sight ---------------------------------------------------------------
  for (const drawing of document.querySelectorAll(".chart.long")) drawing.parentElement.scrollLeft = drawing.parentElement.scrollWidth;

  // --- tables: sorted by a click on a heading, copied as plain numbers -------------------------------------------------
  const sortKey = (cell) => {
    const held = cell.querySelector("data");
    if (held) return Number(held.value);
    const text = cell.textContent.trim();
    return text === "\u2013" ? null : text;
  };
  const compare = (a, b) => {
    if (a === null || b === null) return (a === null) - (b === null);
    if (typeof a === "number" && typeof b === "number") return a - b;
    return String(a).localeCompare(String(b), undefined, { numeric: true });
  };
  const plain = (cell) => cell.innerText.trim().replace(/\s*\n\s*/g, " ").replace(cell.querySelector("data") ? /[,\u202f]/g : /\u202f/g, "").replace(/\u2212/g, "-").replace(/^\u2013$/, "");

  for (const table of document.querySelectorAll("table.sortable")) {
    const heads = [...table.tHead.rows[table.tHead.rows.length - 1].cells];
    heads.forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const falling = head.getAttribute("aria-sort") === "ascending";
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", falling ? "descending" : "ascending");
        const body = table.tBodies[0];
        const rows = [...body.rows].map((row) => ({ row, key: sortKey(row.cells[column]) }));
        // Missing values stay last either way.
        rows.sort((a, b) => (a.key === null || b.key === null ? compare(a.key, b.key) : (falling ? -1 : 1) * compare(a.key, b.key)));
        body.append(...rows.map((item) => item.row));
      });
    });
    const tools = document.createElement("div");
    tools.className = "tools";
    const copy = document.createElement("button");
    copy.type = "button";
    copy.textContent = "Copy table";
    copy.addEventListener("click", async () => {
      const text = [...table.rows].map((row) => [...row.cells].map(plain).join("\t")).join("\n");
      copy.textContent = (await copied(text)) ? "Copied" : "The browser does not let us copy";
      setTimeout(() => { copy.textContent = "Copy table"; }, 2000);
    });
    tools.append(copy);
    table.closest(".scroll").after(tools);
  }

  async function copied(text) {
    try {
      await navigator.clipboard.writeText(text);
      return true;
    } catch {
      const area = document.createElement("textarea");
      area.value = text;
      document.body.append(area);
      area.select();
      const done = document.execCommand("copy");
      area.remove();
      return done;
    }
  }

  // --- maps: what a cell holds -------------------------------------------------------------------------------------------
  const source = document.getElementById("cells");
  if (!source) return;
  const cells = JSON.parse(source.textContent);
  const panel = document.getElementById("look");
  const maps = [...document.querySelectorAll("svg.map")];

  const ready = (async () => {
    const packed = Uint8Array.from(atob(cells.text), (sign) => sign.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    const raw = await new Response(stream).arrayBuffer();
    const mask = new Uint8Array(raw, 0, cells.width * cells.height);
    const rank = new Int32Array(mask.length);
    let count = 0;
    mask.forEach((inside, at) => { rank[at] = inside ? count++ : -1; });
    const view = new DataView(raw, mask.length);
    return { rank, count, view };
  })();

  const grouped = (value, decimals) => {
    const told = Math.abs(value).toFixed(decimals).replace(/\B(?=(\d{3})+(?!\d))(?<!\.\d*)/g, cells.thousands);
    return (value < 0 && /[1-9]/.test(told) ? "\u2212" : "") + told;
  };

  let at = null;
  async function show(column, row) {
    let held;
    try { held = await ready; } catch { panel.querySelector("[data-look=place]").textContent = "this browser is too old to look up cells"; return; }
    const inside = column >= 0 && row >= 0 && column < cells.width && row < cells.height;
    const index = inside ? held.rank[row * cells.width + column] : -1;
    if (index < 0) return;
    at = [column, row];
    panel.classList.add("on");
    cells.layers.forEach((layer, k) => {
      const whole = held.view.getUint16(2 * (k * held.count + index), true);
      const place = panel.querySelector(`[data-look="${layer.name}"]`);
      if (!place) return;
      if (layer.name === "zone") {
        place.textContent = cells.zones[whole - 1] ?? "";
        return;
      }
      if (whole === 65535) {
        place.textContent = "\u2013";
        delete place.dataset.value;
        return;
      }
      const value = (whole - layer.offset) * layer.step;
      place.dataset.value = value.toFixed(4);
      place.textContent = `${grouped(value * layer.factor, layer.decimals)} ${layer.unit}`;
    });
    const east = cells.left + (column + 0.5) * cells.step, north = cells.top - (row + 0.5) * cells.step;
    panel.querySelector("[data-look=place]").textContent = `${Math.round(east)} E, ${Math.round(north)} N`;
    for (const map of maps) {
      const here = map.querySelector(".here");
      here.setAttribute("x", column);
      here.setAttribute("y", row);
      here.style.visibility = "visible";
    }
  }

  for (const map of maps) {
    const follow = (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
      show(Math.floor(point.x), Math.floor(point.y));
    };
    map.addEventListener("pointermove", follow);
    map.addEventListener("pointerdown", follow);
    map.closest("[tabindex]").addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!step) return;
      event.preventDefault();
      const from = at ?? cells.middle;
      show(from[0] + (at ? step[0] : 0), from[1] + (at ? step[1] : 0));
    });
  }
})();
