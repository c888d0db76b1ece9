// Print and take away: the sheets as they will be printed, how the pieces lie on the cloth, the make sheet, the report.

import { ask } from "./ask.js";
import { desk } from "./main.js";
import { advice, capital, h, icon, inHere, inSeam, length, many, pretty, redrawn, say, trouble, typedLength, units } from "./words.js";

const PAPERS = [["A4", "A4, home printer"], ["Letter", "Letter, home printer"], ["A3", "A3"], ["Tabloid", "Tabloid"], ["Legal", "Legal"], ["A0", "A0, copy shop"], ["36in", "36 in roll"], ["60cm", "60 cm roll"], ["pages", "A page for every piece"], ["projector", "Projector"]];
const TABS = [["sheets", "Sheets"], ["cloth", "Cloth"], ["makesheet", "Make sheet"], ["report", "Report"]];

let variation = "";
let paper = localStorage.getItem("paper") || "";
let tab = "sheets";

export async function showSheets(work) {
  work.className = "sheetswork";
  if (!desk.pieces.some((p) => p.traced)) {
    work.replaceChildren(h("p", { class: "plain" }, "There is nothing to print yet. ", h("a", { href: "#photos" }, "Bring in a photo first.")));
    return null;
  }
  paper ||= units() === "in" ? "Letter" : "A4";
  const away = new Away(work);
  await away.open();
  return () => away.clear();
}

// What the pieces of a variation are cut from; the garment's own cloth first.
function cloths(told, of) {
  const names = told.pieces.filter((p) => !of || !p.variation || p.variation === of).map((p) => p.cut.cloth);
  return [...new Set(names)].sort((a, b) => (b === "self") - (a === "self"));
}

const cloth = (name) => (name === "self" ? "the garment's own cloth" : name);

class Away {
  constructor(work) {
    this.work = work;
    this.made = [];
    this.asked = 0;
    this.side = h("section", { class: "card printing" });
    this.shown = h("section", { class: "shown", "aria-label": "As it comes out" });
    this.large = h("dialog", { class: "large", "aria-label": "Shown large" });
    this.large.addEventListener("click", (e) => e.target === this.large && this.large.close());
    this.large.addEventListener("submit", (e) => { e.preventDefault(); this.large.close(); });
    this.tabs = h("div", { class: "tabs takeaway", role: "group", "aria-label": "What is shown" });
    work.replaceChildren(h("h1", { class: "hidden" }, "Print and take away"), this.tabs, this.side, this.shown, this.large);
  }

  async open() {
    this.told = await ask({ ask: "pattern" });
    this.set = this.told.recipe;
    this.variations = [...new Set(this.set.pieces.map((p) => p.variation).filter(Boolean))];
    if (!this.variations.includes(variation)) variation = "";
    await this.draw();
  }

  clear() {
    this.made.splice(0).forEach((url) => URL.revokeObjectURL(url));
  }

  async draw() {
    this.clear();
    let drawn;
    redrawn(this.work, () => { drawn = this.drawTab(); });
    const mine = this.mine;
    try {
      await drawn;
    } catch (error) {
      if (mine()) {
        this.shown.replaceChildren();
        this.words?.replaceChildren();
        trouble(error);
      }
    }
  }

  drawTab() {
    this.tabs.replaceChildren(...TABS.map(([id, name]) => h("button", { type: "button", "data-keep": `tab-${id}`, "aria-pressed": String(id === tab), onclick: () => { tab = id; this.draw(); } }, name)));
    this.shown.replaceChildren();
    // An answer that comes when another tab is shown already is not drawn: kept by whoever asks, at the time.
    const turn = ++this.asked;
    this.mine = () => turn === this.asked;
    return { sheets: () => this.sheets(), cloth: () => this.cloth(), makesheet: () => this.makeSheet(), report: () => this.report() }[tab]();
  }

  address(file, show) {
    const asked = new URLSearchParams();
    const of = tab === "sheets" ? variation : this.one;
    if (of) asked.set("variation", of);
    if (show) asked.set("show", "1");
    return `/take/${file}${asked.size ? `?${asked}` : ""}`;
  }

  take(file, name, main) {
    return h("a", { class: main ? "button main" : "button", href: this.address(file), download: file }, icon("down"), name);
  }

  choosePaper(papers) {
    return h("div", { class: "field" }, h("label", { for: "paper" }, "Paper"), h("select", { id: "paper", "data-keep": "paper", onchange: (e) => { paper = e.target.value; localStorage.setItem("paper", paper); this.draw(); } }, papers.map(([value, name]) => h("option", { value, selected: value === paper }, name))));
  }

  // Cloth is bought, and sewn, for one garment: where there are variations, for one of them.
  get one() {
    return variation || this.variations[0] || "";
  }

  chooseVariation(all) {
    if (!this.variations.length) return null;
    return h("div", { class: "field" }, h("label", { for: "variation" }, "Variation"), h("select", { id: "variation", "data-keep": "variation", onchange: (e) => { variation = e.target.value; this.draw(); } }, all ? h("option", { value: "" }, "all of them") : null, this.variations.map((v) => h("option", { value: v, selected: v === (all ? variation : this.one) }, v))));
  }

  // Page by page, each to be looked at large.
  pages(svgs, cls, name) {
    return h("div", { class: cls }, svgs.map((svg, i) => {
      const url = URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" }));
      this.made.push(url);
      const called = svgs.length > 1 ? `${name} ${i + 1} of ${svgs.length}` : name;
      const picture = () => h("img", { src: url, alt: called });
      return h("button", { type: "button", class: "page", "aria-label": `${called}, show large`, onclick: () => {
        this.large.replaceChildren(picture(), h("form", { method: "dialog" }, h("button", { class: "button main", autofocus: true }, "Close")));
        this.large.showModal();
      } }, picture(), svgs.length > 1 ? h("span", {}, i + 1) : null);
    }));
  }

  async sheets() {
    this.words = h("div", { class: "pagewords", role: "status" }, "Laying out the sheets …");
    const named = PAPERS.find((p) => p[0] === paper)?.[1] || paper;
    this.side.replaceChildren(...[h("h2", {}, "Sheets to print"), this.choosePaper(PAPERS), this.chooseVariation(true), this.words,
      h("div", { class: "buttons" }, this.take(`${paper}.pdf`, `PDF, ${named}`, true), this.take("pattern.svg", "SVG, true size"), this.take("pattern.dxf", "DXF for pattern programs"), this.take("cutter.dxf", "DXF for cutters")),
      h("p", { class: "note" }, "The set's folder is an ordinary folder: copy it, and keep it for next year.")].filter(Boolean));
    const mine = this.mine;
    const told = await ask({ ask: "sheets", paper, variation: variation || null });
    if (!mine()) return;
    this.words.replaceChildren(h("p", {}, `${many(told.pages.length, "page")}. Print at 100 %, then measure the 5 cm square on the first page before you cut.`), advice(told.warnings, "Before you print") || "");
    this.shown.replaceChildren(this.pages(told.pages, "pages", "Page"));
  }

  // The bolts of cloth, as the set has them; one without a width is only on the page.
  bolts(name) {
    const known = (this.set.cloth || []).filter((b) => b.name === name);
    return known.length ? known : [{ name, width: "" }];
  }

  async cloth() {
    this.words = h("div", { class: "pagewords", role: "status" });
    const names = cloths(this.told, this.one);
    const complete = names.every((name) => this.bolts(name).every((b) => b.width));
    this.side.replaceChildren(...[h("h2", {}, "Cloth to cut from"), this.chooseVariation(),
      names.map((name) => this.bolts(name).map((bolt, i) => this.boltForm(bolt, i))),
      this.words,
      h("div", { class: "buttons" },
        h("button", { type: "button", class: "button main", "data-keep": "plan", onclick: () => this.plan(4) }, "Plan the cloth"),
        this.planned ? h("button", { type: "button", class: "button", "data-keep": "longer", onclick: () => this.plan(20) }, "Search longer for a shorter plan") : null,
        this.planned ? this.take("lay.pdf", "Lay plan, PDF") : null)].flat(3).filter(Boolean));
    if (complete) await this.plan(4);
    else this.shown.replaceChildren(h("p", { class: "plain" }, "Say how wide the cloth is, and see how the pieces lie on it and how much to buy."));
  }

  boltForm(bolt, i) {
    const id = `${bolt.name}-${i}`;
    const change = (words, with_) => this.saveCloth(words, (all) => {
      const at = all.filter((b) => b.name === bolt.name)[i];
      at ? with_(at) : (with_(bolt), all.push(bolt));
      return all.filter((b) => b.width);
    });
    const tick = (key, words) => h("label", { class: "tick" }, h("input", { type: "checkbox", "data-keep": `${key}-${id}`, checked: bolt[key], disabled: !bolt.width, onchange: (e) => change(`${cloth(bolt.name)}: ${words}`, (b) => { e.target.checked ? (b[key] = true) : delete b[key]; }) }), h("span", {}, words));
    return h("fieldset", { class: "bolt" }, h("legend", {}, i ? `${capital(cloth(bolt.name))}, another width` : capital(cloth(bolt.name))),
      h("div", { class: "field" }, h("label", { for: `w-${id}` }, "Width, selvedge to selvedge"),
        h("input", { id: `w-${id}`, type: "text", autocomplete: "off", "data-keep": `width-${id}`, value: bolt.width ? pretty(bolt.width) : "", placeholder: units() === "in" ? "60in" : "150cm", onchange: (e) => { const typed = e.target.value.trim(); change(`${cloth(bolt.name)}, ${typed ? `${typedLength(typed)} wide` : "no width"}`, (b) => { b.width = typed && typedLength(typed); }); } })),
      tick("doubled", "folded along its length, right sides together"), tick("nap", "with a nap or one-way print: all pieces one way up"),
      bolt.width && i + 1 === this.bolts(bolt.name).length ? h("button", { type: "button", class: "button quiet", "data-keep": `more-${id}`, onclick: () => this.another(bolt) }, "Compare another width") : null);
  }

  // Another usual width of the same cloth, to be compared; it can be typed over.
  another(bolt) {
    const usual = units() === "in" ? ["60in", "45in", "36in"] : ["150cm", "140cm", "110cm", "90cm"];
    const taken = this.bolts(bolt.name).map((b) => pretty(b.width));
    this.saveCloth(`another width of ${cloth(bolt.name)}`, (all) => [...all, { ...bolt, width: usual.find((w) => !taken.includes(w)) || usual[0] }]);
  }

  // One after another: each is made on what the one before left.
  saveCloth(words, change) {
    const make = async () => {
      const set = structuredClone(this.set);
      set.cloth = change(set.cloth || []);
      if (!set.cloth.length) delete set.cloth;
      try {
        this.told = await ask({ ask: "recipe", set, words });
        this.set = this.told.recipe;
        say(`${capital(words)}. Saved.`);
        this.draw();
      } catch (error) {
        trouble(error);
      }
    };
    this.turn = (this.turn || Promise.resolve()).then(make);
  }

  async plan(seconds) {
    const names = cloths(this.told, this.one);
    const without = names.find((name) => this.bolts(name).some((b) => !b.width));
    if (without) {
      say(`Say first how wide ${cloth(without)} is.`, "trouble");
      this.side.querySelector(`[data-keep="width-${CSS.escape(without)}-0"]`)?.focus();
      return;
    }
    const mine = this.mine;
    this.words.textContent = "Trying how the pieces lie best …";
    this.shown.setAttribute("aria-busy", "true");
    try {
      const told = await ask({ ask: "lay", variation: this.one || null, seconds });
      if (!mine()) return;
      this.words.textContent = "";
      const first = !this.planned;
      this.planned = true;
      this.shown.replaceChildren(h("div", { class: "plans" }, told.plans.map((plan) => this.plan_(plan))));
      if (first) this.side.querySelector(".buttons").append(h("button", { type: "button", class: "button", "data-keep": "longer", onclick: () => this.plan(20) }, "Search longer for a shorter plan"), this.take("lay.pdf", "Lay plan, PDF"));
      say(told.plans.map((p) => `${capital(cloth(p.cloth))}: buy ${buy(p)}.`).join(" "));
    } catch (error) {
      if (mine()) {
        this.words.textContent = "";
        trouble(error);
      }
    } finally {
      this.shown.removeAttribute("aria-busy");
    }
  }

  plan_(plan) {
    const how = [length(plan.width_mm, 0) + " wide", plan.doubled ? "folded" : "flat", plan.nap ? "with nap" : null].filter(Boolean).join(", ");
    return h("article", { class: "card plan" }, h("h3", {}, `Buy ${buy(plan)}`), h("p", { class: "note" }, `${capital(cloth(plan.cloth))}, ${how}. The pieces reach ${length(plan.length_mm)} and use ${plan.use_percent.toFixed(0)} % of it.`),
      this.pages([plan.picture], "onepage", `Lay plan of ${cloth(plan.cloth)}, ${how}`), advice(plan.warnings, "Before you buy"));
  }

  async makeSheet() {
    const tiles = PAPERS.slice(0, 5);
    const on = tiles.some((p) => p[0] === paper) ? paper : units() === "in" ? "Letter" : "A4";
    this.words = h("div", { class: "pagewords", role: "status" }, "Writing the make sheet …");
    const without = cloths(this.told, this.one).filter((name) => this.bolts(name).some((b) => !b.width));
    this.side.replaceChildren(...[h("h2", {}, "The make sheet"), h("p", {}, "One page to sew from: what to cut and to buy, the seams in sewing order, finished lengths, cautions."),
      this.choosePaper(tiles.map(([v, n]) => [v, n])), this.chooseVariation(), this.words,
      without.length ? h("p", { class: "note" }, "It can tell how much cloth to buy once you have said how wide the cloth is, under Cloth.") : null,
      h("div", { class: "buttons" }, this.take(`makesheet-${on}.pdf`, "Make sheet, PDF", true), this.take("makesheet.html", "Make sheet, web page"))].filter(Boolean));
    const mine = this.mine;
    const told = await ask({ ask: "make-sheet", paper: on, variation: this.one || null });
    if (!mine()) return;
    this.words.textContent = "";
    this.shown.replaceChildren(this.pages(told.pages, "onepage", "Make sheet"));
  }

  async report() {
    this.words = h("div", { class: "pagewords", role: "status" });
    this.side.replaceChildren(...[h("h2", {}, "The report"), h("p", {}, "What was made of what, how sure it is, and what was checked; with the photos and every piece."), this.chooseVariation(), this.words,
      h("div", { class: "buttons" }, h("a", { class: "button main", href: this.address("report.html", true), target: "_blank", rel: "noopener" }, icon("look"), "Open the report"), this.take("report.html", "Keep the report"))].filter(Boolean));
    const mine = this.mine;
    const told = await ask({ ask: "report", variation: this.one || null });
    if (!mine()) return;
    const failed = told.checks.filter((c) => !c.passed), passed = told.checks.filter((c) => c.passed);
    const row = (c) => h("li", { class: c.passed ? "" : "bad" }, h("div", {}, h("span", { class: "checked" }, icon(c.passed ? "check" : "look"), h("span", {}, capital(inSeam(inHere(c.text))) + "."))));
    this.words.replaceChildren(h("p", { class: failed.length ? "verdict look" : "verdict" }, icon(failed.length ? "look" : "check"), failed.length ? `${many(failed.length, "check")} of ${told.checks.length} to look at.` : `All ${told.checks.length} checks passed.`));
    this.shown.replaceChildren(...[
      failed.length ? h("section", { class: "card checks" }, h("h3", {}, "To look at before cutting"), h("ul", { class: "plainlist rows" }, failed.map(row))) : null,
      advice(told.warnings, "Notes") && h("section", { class: "card checks" }, advice(told.warnings, "Notes")),
      h("section", { class: "card checks" }, h("h3", {}, `Passed (${passed.length})`), h("ul", { class: "plainlist rows" }, passed.map(row)))].filter(Boolean));
  }
}

// A length of cloth as it is bought.
const buy = (plan) => (units() === "in" ? `${plan.buy_yards} yd` : `${(plan.buy_mm / 1000).toFixed(2)} m`);
