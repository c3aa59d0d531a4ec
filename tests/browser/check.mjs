// Opens pages in the system's Chromium and says what a person would meet; one JSON document on standard output.
//
//   node check.mjs CHROMIUM FOLDER PAGE.html ...
//
// FOLDER receives the prints (PAGE.A4.pdf, PAGE.Letter.pdf) and, with SHOTS=1, screenshots at 1200 and 360 px, light and dark.
// The modules come from the folder named in NODE_MODULES. Nothing but the named files may be requested.
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { basename, join } from "node:path";
import { pathToFileURL } from "node:url";

const [chromium, folder, ...pages] = process.argv.slice(2);
const need = createRequire(join(process.env.NODE_MODULES, "node_modules", "x.js"));
const puppeteer = need("puppeteer-core");
const axe = readFileSync(need.resolve("axe-core/axe.min.js"), "utf8");
const profile = mkdtempSync(join(tmpdir(), "planner-chromium-"));

const browser = await puppeteer.launch({
  executablePath: chromium,
  headless: true,
  userDataDir: profile,
  args: [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-default-apps", "--disable-extensions",
    "--disable-dev-shm-usage", "--host-resolver-rules=MAP * ~NOTFOUND",
  ],
});

// marks at the beginning and the end of everything that must not be cut; read back from the print, page by page
const mark = () => {
  const blocks = [...document.querySelectorAll("tbody tr, .finding, .answer, .cautions li, .sources li")];
  const put = (node, text, first) => {
    const word = document.createElement("span");
    word.textContent = text;
    word.style.cssText = "font-size:4px;line-height:1;";
    if (first) node.prepend(word); else node.append(word);
  };
  let count = 0;
  for (const block of blocks) {
    const row = block.tagName === "TR";
    const ends = row ? [...block.children] : [block];
    for (const end of ends) {
      put(end, ` qs${count}z `, true);
      put(end, ` qe${count}z `, false);
    }
    // a caption must stand on the sheet of its first row
    if (row && !block.previousElementSibling) put(block.closest("table").caption, ` qc${count}z `, false);
    count += 1;
  }
  return count;
};

const wide = () => {
  const root = document.documentElement;
  const outside = [...document.querySelectorAll("body *")].filter((node) => {
    if (node.closest(".scroll, svg, .defs")) return false;
    const box = node.getBoundingClientRect();
    return box.width > 0 && box.right > root.clientWidth + 1;
  });
  return { scroll: root.scrollWidth, client: root.clientWidth, outside: outside.slice(0, 5).map((n) => n.outerHTML.slice(0, 120)) };
};

// a region that scrolls on screen cannot scroll on paper: nothing may be wider than the sheet, no drawing taller
const sheet = (high) => ({
  ...(() => {
    const root = document.documentElement;
    const cut = [...document.querySelectorAll(".scroll")].filter((node) => node.scrollWidth > node.clientWidth + 1);
    return { scroll: root.scrollWidth, client: root.clientWidth, cut: cut.map((n) => n.getAttribute("aria-label")) };
  })(),
  tall: [...document.querySelectorAll("svg[role], .finding, .answer, tbody tr")].filter((n) => n.getBoundingClientRect().height > high)
    .map((n) => (n.id || n.tagName) + " " + Math.round(n.getBoundingClientRect().height)),
});

// words of a drawing that stand on each other or leave it
const crowded = () => {
  const found = [];
  for (const svg of document.querySelectorAll("svg[role]")) {
    const view = svg.viewBox.baseVal;
    const boxes = [...svg.querySelectorAll("text")].map((node) => ({ text: node.textContent, box: node.getBBox() }));
    boxes.forEach(({ text, box }, at) => {
      if (box.x < 0 || box.x + box.width > view.width + 0.5 || box.y + box.height > view.height + 0.5) found.push(`${text} leaves ${svg.getAttribute("aria-labelledby")}`);
      for (const other of boxes.slice(0, at)) {
        const across = Math.min(box.x + box.width, other.box.x + other.box.width) - Math.max(box.x, other.box.x);
        const down = Math.min(box.y + box.height, other.box.y + other.box.height) - Math.max(box.y, other.box.y);
        if (across > 1 && down > 3) found.push(`${other.text} | ${text}`);
      }
    });
  }
  return found.slice(0, 8);
};

const results = {};
const look = async (path) => {
  const name = basename(path, ".html");
  const page = await browser.newPage();
  const said = [];
  const asked = [];
  page.on("console", (message) => said.push(`${message.type()}: ${message.text()}`));
  page.on("pageerror", (error) => said.push(`error: ${error}`));
  page.on("requestfailed", (request) => said.push(`failed: ${request.url()}`));
  page.on("dialog", async (dialog) => { said.push(`dialog: ${dialog.message()}`); await dialog.dismiss(); });
  page.on("request", (request) => asked.push(request.url()));
  const address = pathToFileURL(path).href;
  const result = { axe: {}, width: {}, paper: {}, marks: 0 };
  for (const [label, width, height, scheme] of [["desktop", 1200, 900, "light"], ["phone", 360, 740, "light"], ["dark", 1200, 900, "dark"]]) {
    await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
    await page.setViewport({ width, height, deviceScaleFactor: 1, isMobile: false });
    await page.goto(address, { waitUntil: "load" });
    result.width[label] = await page.evaluate(wide);
    if (process.env.SHOTS) await page.screenshot({ path: join(folder, `${name}.${label}.png`), fullPage: true });
    if (label === "desktop") result.crowded = await page.evaluate(crowded);
    if (label === "phone") {
      result.answer = await page.evaluate(() => {
        const box = document.querySelector(".answer .first, .answer .verdict");
        return box ? box.getBoundingClientRect().bottom : null;
      });
    }
    // axe is put into the page by the debugger; the page's own policy forbids scripts of its own
    const client = await page.createCDPSession();
    await client.send("Page.setBypassCSP", { enabled: true });
    await page.goto(address, { waitUntil: "load" });
    await page.evaluate(axe);
    const found = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations", "incomplete"] }));
    const brief = (list) => list.map((one) => ({ id: one.id, help: one.help, nodes: one.nodes.slice(0, 4).map((n) => n.html.slice(0, 160)) }));
    result.axe[label] = { violations: brief(found.violations), incomplete: brief(found.incomplete), passes: found.passes.length, version: window_version(found) };
    await client.detach();
  }
  // somebody who reads in the dark still prints on white paper
  await page.emulateMediaType("print");
  result.ground = await page.evaluate(() => [getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]);
  await page.emulateMediaType(null);
  await page.emulateMediaFeatures([]);
  // millimetres of each paper, less the margins of the style sheet (12 left and right, 14 and 16 above and below)
  for (const [format, across, down] of [["A4", 210, 297], ["Letter", 215.9, 279.4]]) {
    const px = (mm) => Math.floor((mm / 25.4) * 96);
    await page.setViewport({ width: px(across - 24), height: px(down - 30) });
    await page.goto(address, { waitUntil: "load" });
    await page.emulateMediaType("print");
    result.paper[format] = await page.evaluate(sheet, px(down - 30));
    if (process.env.SHOTS || name === "forty-passes") writeFileSync(join(folder, `${name}.${format}.clean.pdf`), await page.pdf({ format, printBackground: false }));
    result.marks = await page.evaluate(mark);
    writeFileSync(join(folder, `${name}.${format}.pdf`), await page.pdf({ format, printBackground: false }));
    await page.emulateMediaType(null);
  }
  result.said = said;
  result.asked = [...new Set(asked)].filter((url) => url !== address);
  results[name] = result;
  await page.close();
};
// two at a time
const queue = [...pages];
await Promise.all([1, 2].map(async () => {
  while (queue.length) await look(queue.shift());
}));
const version = await browser.version();
await browser.close();
rmSync(profile, { recursive: true, force: true });
process.stdout.write(JSON.stringify({ version, pages: results }, null, 1));

function window_version(found) {
  return found.testEngine?.version ?? "";
}
