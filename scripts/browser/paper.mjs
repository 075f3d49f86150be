// Prints a page and reads the sheets again: what stands on which, in lines how long.

import { execFileSync } from "node:child_process";
import { join } from "node:path";
import { expect } from "./page.mjs";

export const papers = ["A4", "Letter"];
// A margin as it is chosen where one prints; undefined is the page's own.
export const margins = [undefined, "0mm", "10mm", "20mm"];
const narrowest = 20; // characters in the longest line of a text that is broken into lines
const sheetsAtMost = 3; // for a review with one episode at most

// The sheets' text in the order in which it was painted, so that the lines of a paragraph follow each other.
function sheetsOf(file) {
  const text = execFileSync("pdftotext", ["-raw", "-enc", "UTF-8", file, "-"], { encoding: "utf8", maxBuffer: 1 << 26 });
  return text.split("\f").slice(0, -1);
}

const bare = (text) => text.replace(/[\s\u00ad]+/g, "");

// Each place of a text on a sheet, as the lines into which it is broken there.
function places(sheets, text) {
  const wanted = bare(text);
  const found = [];
  for (const sheet of sheets) {
    const at = []; // of each character that is not a space: its place in the sheet
    for (let i = 0; i < sheet.length; i += 1) if (!/[\s\u00ad]/.test(sheet[i])) at.push(i);
    const all = bare(sheet);
    for (let i = all.indexOf(wanted); 0 <= i; i = all.indexOf(wanted, i + wanted.length)) {
      found.push(sheet.slice(at[i], at[i + wanted.length - 1] + 1).split("\n"));
    }
  }
  return found;
}

// What a page has to say on paper: its texts, those that belong on the first sheet, and what stands on every sheet.
export async function wordsOnPaper(page) {
  await page.emulateMedia({ media: "print" });
  const said = await page.evaluate(() => {
    const shown = (e) => e.checkVisibility() && 0 < e.getClientRects().length;
    const isBlock = (e) => !["inline", "contents", "none"].includes(getComputedStyle(e).display);
    const leaf = (e) => !e.querySelector("svg text") && !e.querySelector(":scope > .hidden") && ![...e.querySelectorAll("*")].some((c) => c instanceof HTMLElement && isBlock(c) && c.innerText.trim());
    const texts = (root) => [...root.querySelectorAll("h1, h2, h3, p, li, dt, dd, th, td, label, span, summary, caption, div")]
      .filter((e) => shown(e) && isBlock(e) && leaf(e) && !e.closest(".foot") && e.innerText.trim() && !e.classList.contains("hidden")).map((e) => e.innerText.trim());
    return {
      all: texts(document),
      first: ["#answer", "#cautions", "#record", ".tick"].flatMap((s) => [...document.querySelectorAll(s)].flatMap(texts))
        .concat([...document.querySelectorAll("#record figure svg")].filter(shown).flatMap((s) => [...s.querySelectorAll("text")].filter(shown).slice(0, 1).map((t) => t.textContent))),
      foot: document.querySelector(".foot")?.innerText.trim(),
      episodes: document.querySelectorAll("section.episode").length,
      notices: document.querySelectorAll(".notices").length,
    };
  });
  await page.emulateMedia({ media: null });
  return said;
}

// Prints what is open. A page's own margin goes before one that is handed over, so that one is put into the page.
export async function print(page, folder, name, format, margin) {
  const path = join(folder, `${name}-${format}-${margin ?? "own"}.pdf`);
  const style = margin && (await page.addStyleTag({ content: `@page { margin: ${margin} !important; }` }));
  await page.pdf({ format, path });
  if (style) await style.evaluate((e) => e.remove());
  return path;
}

// Fails on a column narrower than 20 characters, a text that is lost, a sheet too many, an answer that is not whole on the
// first sheet, and a sheet that does not say what it belongs to.
export function judge(file, said, at) {
  const sheets = sheetsOf(file);
  const whole = sheets.map((sheet) => sheet.split("\n").filter((l) => !/^Sheet \d+ of \d+$/.test(l) && l !== said.foot).join("\n")).join("\n");
  for (const text of new Set(said.all)) {
    const lines = places([whole], text);
    expect(0 < lines.length, `${at}: “${text.slice(0, 60)}” is not printed whole`);
    for (const place of lines) {
      const longest = Math.max(...place.map((l) => l.trim().length));
      expect(text.length < 2 * narrowest || place.length < 2 || narrowest <= longest, `${at}: “${text.slice(0, 60)}” stands in a column of ${longest} characters, ${place.length} lines`);
    }
  }
  if (!said.foot) return; // a survey
  for (const text of said.first) expect(0 < places(sheets.slice(0, 1), text).length, `${at}: “${text.slice(0, 60)}” is not on the first sheet`);
  expect(1 < said.episodes || 0 < said.notices || sheets.length <= sheetsAtMost, `${at}: ${sheets.length} sheets`);
  sheets.forEach((sheet, i) => {
    expect(sheet.includes(`Sheet ${i + 1} of ${sheets.length}`), `${at}: sheet ${i + 1} has no number`);
    expect(sheet.includes(said.foot), `${at}: sheet ${i + 1} does not say what it belongs to`);
  });
  for (const text of ["Record", "Period", "Program", "Reviewed by", "Signature"]) {
    expect(sheets.some((sheet) => sheet.includes(text)), `${at}: there is no “${text}”`);
  }
}
