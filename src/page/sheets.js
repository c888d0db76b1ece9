// The sheets as they will be printed, and files to take away.

import { ask } from "./ask.js";
import { desk } from "./main.js";
import { advice, h, icon, many, trouble, units } from "./words.js";

const PAPERS = [["A4", "A4, home printer"], ["Letter", "Letter, home printer"], ["A3", "A3"], ["Tabloid", "Tabloid"], ["Legal", "Legal"], ["A0", "A0, copy shop"], ["36in", "36 in roll"], ["60cm", "60 cm roll"], ["pages", "A page for every piece"], ["projector", "Projector"]];

let variation = "";
let paper = localStorage.getItem("paper") || "";

export async function showSheets(work) {
  work.className = "sheetswork";
  if (!desk.pieces.some((p) => p.traced)) {
    work.replaceChildren(h("p", { class: "plain" }, "There is nothing to print yet. ", h("a", { href: "#photos" }, "Bring in a photo first.")));
    return null;
  }
  paper ||= units() === "in" ? "Letter" : "A4";
  const recipe = (await ask({ ask: "pattern" })).recipe;
  const variations = [...new Set(recipe.pieces.map((p) => p.variation).filter(Boolean))];
  if (!variations.includes(variation)) variation = "";
  const pages = h("div", { class: "pages" });
  const words = h("div", { class: "pagewords", role: "status" });
  const take = h("div", { class: "buttons" });
  const large = h("dialog", { class: "large", "aria-label": "A sheet, large" });
  const made = [];
  const clear = () => made.splice(0).forEach((url) => URL.revokeObjectURL(url));

  const files = () => [[`${paper}.pdf`, `PDF, ${PAPERS.find((p) => p[0] === paper)?.[1] || paper}`, true], ["pattern.svg", "SVG, true size"], ["pattern.dxf", "DXF for pattern programs"], ["cutter.dxf", "DXF for cutters"]];

  async function draw() {
    localStorage.setItem("paper", paper);
    take.replaceChildren(...files().map(([file, name, main]) => h("a", { class: main ? "button main" : "button", href: `/take/${file}${variation ? `?variation=${encodeURIComponent(variation)}` : ""}`, download: file }, icon("down"), name)));
    words.textContent = "Laying out the sheets …";
    try {
      const told = await ask({ ask: "sheets", paper, variation: variation || null });
      clear();
      words.replaceChildren(h("p", {}, `${many(told.pages.length, "page")}. Print at 100 %, then measure the 5 cm square on the first page before you cut.`), advice(told.warnings, "Before you print") || "");
      pages.replaceChildren(...told.pages.map((svg, i) => {
        const url = URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" }));
        made.push(url);
        const picture = () => h("img", { src: url, alt: `Page ${i + 1} of ${told.pages.length}` });
        return h("button", { type: "button", class: "page", "aria-label": `Page ${i + 1}, show large`, onclick: () => {
          large.replaceChildren(picture(), h("form", { method: "dialog" }, h("button", { class: "button main", autofocus: true }, "Close")));
          large.showModal();
        } }, picture(), h("span", {}, i + 1));
      }));
    } catch (error) {
      words.replaceChildren();
      pages.replaceChildren();
      trouble(error);
    }
  }

  large.addEventListener("click", (e) => e.target === large && large.close());
  large.addEventListener("submit", (e) => { e.preventDefault(); large.close(); });
  const select = h("select", { id: "paper", onchange: (e) => { paper = e.target.value; draw(); } }, PAPERS.map(([value, name]) => h("option", { value, selected: value === paper }, name)));
  work.replaceChildren(h("h1", { class: "hidden" }, "Sheets"),
    h("section", { class: "card printing" }, h("h2", {}, "Print and take away"),
      h("div", { class: "field" }, h("label", { for: "paper" }, "Paper"), select),
      variations.length ? h("div", { class: "field" }, h("label", { for: "variation" }, "Variation"), h("select", { id: "variation", onchange: (e) => { variation = e.target.value; draw(); } }, h("option", { value: "" }, "all of them"), variations.map((v) => h("option", { value: v, selected: v === variation }, v)))) : null,
      words, take,
      h("p", { class: "note" }, "The set's folder is an ordinary folder: copy it, keep it, put it under version control.")),
    h("section", { "aria-label": "Sheets as they will be printed" }, pages), large);
  await draw();
  return clear;
}
