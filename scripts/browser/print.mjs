// Prints the report of each sample on both papers with every margin, and by the program itself, and reads the sheets.
// usage: node print.mjs PATENCY SAMPLES_DIR REPORTS_DIR SHEETS_DIR
// REPORTS_DIR holds sample-NAME.html for each sample. The sheets are left as PDF, to be looked at.

import { execFileSync } from "node:child_process";
import { existsSync, mkdirSync, readdirSync } from "node:fs";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { conclude, launch } from "./page.mjs";
import { judge, margins, papers, print, wordsOnPaper } from "./paper.mjs";

const [patency, samples, reports, out] = process.argv.slice(2).map((p) => resolve(p));
mkdirSync(out, { recursive: true });
const browser = await launch();
const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
for (const { name } of readdirSync(samples, { withFileTypes: true }).filter((d) => d.isDirectory())) {
  await page.goto(pathToFileURL(join(reports, `sample-${name}.html`)).href);
  const said = await wordsOnPaper(page);
  for (const format of papers) {
    for (const margin of margins) {
      judge(await print(page, out, name, format, margin), said, `${name} on ${format}, margin ${margin ?? "as the page has it"}`);
    }
    const file = (n) => join(samples, name, n);
    const events = existsSync(file("events.csv")) ? ["--events", file("events.csv")] : [];
    const pdf = join(out, `${name}-${format}-program.pdf`);
    execFileSync(patency, ["review", file("trace.csv"), ...events, "--line", file("line.toml"), "--paper", format.toLowerCase(), "--pdf", pdf, "--json"], { stdio: ["ignore", "ignore", "inherit"] });
    judge(pdf, said, `${name} on ${format}, by --pdf`);
  }
}
await browser.close();
conclude("printed sheets");
