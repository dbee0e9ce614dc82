"use strict";
/* The page's own program: switches, ticks, and folded parts when printing. No network, no
   inline handlers; every word of a manifest goes in as text. */
(function () {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("switch-data").textContent);
  const page = JSON.parse(byId("page-data").textContent);
  const MARKS = { error: "\u2715", warning: "\u25b2", note: "i" };

  /* el("p.quiet", ...children): strings become text, null is left out. */
  function el(what, ...children) {
    const [tag, ...classes] = what.split(".");
    const node = document.createElement(tag);
    if (classes.length) node.className = classes.join(" ");
    for (const child of children.flat(Infinity)) if (child != null) node.append(child);
    return node;
  }

  /* --- switches ------------------------------------------------------------------------ */

  const rows = new Map(data.switches.map((row) => [row.name, row]));
  const boxes = [...document.querySelectorAll("input.switch")];
  const says = byId("switch-says");
  const shows = byId("switch-shows");
  const back = byId("switch-back");
  const panel = byId("switched");
  const bar = el("a.bar-link");
  bar.href = "#switched";
  bar.hidden = true;
  document.querySelector(".list").append(bar);

  function block(at) {
    const one = data.findings[at];
    const mark = el("span", MARKS[one.severity]);
    mark.setAttribute("aria-hidden", "true");
    const list = el("dl", el("dt", "at"));
    for (const [where, label] of one.places)
      list.append(el("dd", el("span.name", where), label ? " " + label : null));
    if (one.why.length) list.append(el("dt", "why"), ...one.why.map((words) => el("dd", words)));
    if (one.repair.length)
      list.append(el("dt", "fix"), ...one.repair.map((words) => el("dd", el("code", words))));
    else if (one.severity !== "note") list.append(el("dt", "fix"), el("dd", "not known"));
    const node = el(
      "article.finding." + one.severity,
      el("h5", el("span.badge." + one.severity, mark, " " + one.severity),
         el("span.rule", " " + one.rule)),
      el("p", one.message),
      list,
    );
    node.dataset.rule = one.rule;
    node.dataset.message = one.message;
    return node;
  }

  function counted(number, noun) {
    return number + " " + noun + (number === 1 ? "" : "s");
  }

  function table(changes) {
    const head = el("thead", el("tr", ["item", "now", "after", "because of"].map((words) => {
      const cell = el("th", words);
      cell.scope = "col";
      return cell;
    })));
    const node = el("table.changes", head);
    let domain = null;
    let body = null;
    for (const [name, item, now, after, because] of changes) {
      if (name !== domain) {
        const cell = el("th", name);
        cell.colSpan = 4;
        cell.scope = "rowgroup";
        body = el("tbody", el("tr", cell));
        node.append(body);
        domain = name;
      }
      body.append(el("tr", el("td.name", item), el("td", now), el("td", after), el("td", because)));
    }
    const wide = el("div.wide", node);
    wide.tabIndex = 0;
    wide.setAttribute("role", "group");
    wide.setAttribute("aria-label", "what changes, scrolls sideways where the screen is narrow");
    return wide;
  }

  function folded(title, nodes) {
    return el("details", el("summary", title), nodes);
  }

  function single(row) {
    const title = row.name + (row.on ? " off" : " on");
    const parts = [];
    if (row.refused) {
      parts.push(el("p", "Not computed beforehand: " + row.refused));
      parts.push(el("p", "Ask: ", el("code", row.command + " --dry-run")));
      return [title + ": not computed beforehand", parts];
    }
    const verdict = el("p.verdict", el("span.mark." + (row.ok ? "good" : "bad"),
                                       row.ok ? "\u2713" : "\u2715"), " " + row.verdict);
    verdict.firstChild.setAttribute("aria-hidden", "true");
    parts.push(verdict, el("p", "This does it, and asks first: ", el("code", row.command)));
    const fresh = new Set(row.new);
    const kept = row.findings.filter((at) => !fresh.has(at));
    if (row.new.length) parts.push(el("h4", "New findings"), row.new.map(block));
    if (row.gone.length)
      parts.push(el("h4", "Findings gone"), el("ul", row.gone.map((at) =>
        el("li", data.findings[at].severity + " " + data.findings[at].rule + ": " +
           data.findings[at].message))));
    if (kept.length) parts.push(folded(counted(kept.length, "finding") + " as before",
                                       kept.map(block)));
    if (row.attention.length)
      parts.push(el("h4", "What the script cannot do"), el("dl.attention",
        row.attention.map(([kind, words, because]) => [el("dt", kind),
          el("dd", words, because ? el("span.quiet", " (because of " + because + ")") : null)])));
    parts.push(el("h4", "What changes"));
    parts.push(row.rows.length ? table(row.rows) : el("p", "nothing changes"));
    const news = row.new.length ? ", " + counted(row.new.length, "new finding") : "";
    return [title + ": " + (row.ok ? "can be built" : "cannot be built") + news, parts];
  }

  function several(changed) {
    const on = new Set(boxes.filter((box) => box.checked).map((box) => box.dataset.name));
    const clashes = data.clashes.filter(([names]) => names.every((name) => on.has(name)));
    const tail = data.profile === null ? "" : " --profile " + data.profile;
    const parts = [];
    for (const [names, rule, message] of clashes) {
      const mark = el("span", MARKS.error);
      mark.setAttribute("aria-hidden", "true");
      parts.push(el("article.finding.error",
        el("h4", el("span.badge.error", mark, " error"), el("span.rule", " " + rule)),
        el("p", message),
        el("p.quiet", names.join(" and ") + " do not go together")));
    }
    parts.push(el("p", "The rest was computed for single switches only. For these together, ask " +
                       "robokit-plan; each command shows what changes and asks first:"));
    for (const [verb, was] of [["disable", true], ["enable", false]]) {
      const names = changed.filter((row) => row.on === was).map((row) => row.target);
      if (names.length)
        parts.push(el("p", el("code", "robokit-plan " + verb + " " + names.join(" ") + tail)));
    }
    parts.push(el("h4", "Each by itself"));
    parts.push(el("ul", changed.map((row) => el("li", single(row)[0]))));
    return [changed.map((row) => row.name + (row.on ? " off" : " on")).join(", ") + ": " +
            (clashes.length ? "cannot be built, " + counted(clashes.length, "collision")
                            : "ask robokit-plan"), parts];
  }

  function update() {
    const changed = boxes.filter((box) => box.checked !== rows.get(box.dataset.name).on)
      .map((box) => rows.get(box.dataset.name));
    for (const box of boxes)
      box.closest("li").classList.toggle("turned",
        box.checked !== rows.get(box.dataset.name).on);
    back.hidden = bar.hidden = changed.length === 0;
    if (!changed.length) {
      says.textContent = boxes.length
        ? "Turn a switch: what collides and what changes stands here at once. Nothing is done."
        : "There is nothing to switch.";
      shows.replaceChildren();
      return;
    }
    const [words, parts] = changed.length === 1 ? single(changed[0]) : several(changed);
    says.textContent = words;
    bar.textContent = words + " \u2193";
    shows.replaceChildren(...parts.flat(Infinity));
  }

  for (const box of boxes) {
    box.hidden = false;
    box.checked = rows.get(box.dataset.name).on;
    box.addEventListener("change", update);
  }
  back.addEventListener("click", () => {
    for (const box of boxes) box.checked = rows.get(box.dataset.name).on;
    update();
    panel.focus();
  });
  update();

  /* --- ticks --------------------------------------------------------------------------- */

  const wires = [...document.querySelectorAll("input.wire")];
  const store = "robokit-plan wires " + page.robot + " " + page.profile;
  const untick = byId("untick");
  const wired = byId("wired");

  function read() {
    try {
      const kept = JSON.parse(localStorage.getItem(store) || "[]");
      return new Set(Array.isArray(kept) ? kept : []);
    } catch (error) {
      return new Set();
    }
  }

  function keep() {
    const done = wires.filter((box) => box.checked).map((box) => box.dataset.wire);
    try {
      localStorage.setItem(store, JSON.stringify(done));
    } catch (error) {
      /* A browser that keeps nothing for local files still lets one tick. */
    }
    count();
  }

  function count() {
    const done = wires.filter((box) => box.checked).length;
    for (const box of wires) box.closest("tr").classList.toggle("done", box.checked);
    wired.textContent = done + " of " + wires.length + " done";
    untick.hidden = done === 0;
  }

  if (wires.length) {
    const done = read();
    for (const box of wires) {
      box.checked = done.has(box.dataset.wire);
      box.addEventListener("change", keep);
    }
    untick.addEventListener("click", () => {
      for (const box of wires) box.checked = false;
      keep();
      wires[0].focus();
    });
    count();
  }

  /* --- print: nothing stays folded ------------------------------------------------------ */

  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open]):not(.long)")];
    for (const one of opened) one.open = true;
  });
  addEventListener("afterprint", () => {
    for (const one of opened) one.open = false;
    opened = [];
  });

  /* A link into a folded part opens it. */
  function follow() {
    let target = null;
    try {
      target = byId(decodeURIComponent(location.hash.slice(1)));
    } catch (error) {
      return;
    }
    if (target === null) return;
    for (let one = target.closest("details"); one; one = one.parentElement.closest("details"))
      one.open = true;
    const own = target.matches("li") ? target.querySelector(":scope > details") : null;
    if (own !== null) own.open = true;
  }
  addEventListener("hashchange", follow);
  follow();
})();
