// A running Lacet with data of its own, a browser, and both gone again at the end.

import { execFileSync, spawn } from "node:child_process";
import { existsSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import { chromium } from "playwright-core";
import { Rider } from "./rider.mjs";

const HERE = dirname(fileURLToPath(import.meta.url));
const SHARED = process.env.LACET_SHARED ?? resolve(HERE, "../../../shared/data");
/** A real extract, where there is one: 2025-01-19, © OpenStreetMap contributors. */
const ANDORRA = join(SHARED, "osm/andorra-2025-01-19.osm.pbf");

const FLAGS = [
  "--no-sandbox",
  // WebGL without a graphics card.
  "--use-angle=swiftshader",
  "--enable-unsafe-swiftshader",
  "--ignore-gpu-blocklist",
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-sync",
];

export class House {
  /** Names of the regions there are. */
  regions = [];
  url = "";
  folder = mkdtempSync(join(tmpdir(), "lacet-e2e-"));
  #server;
  #browser;

  async open() {
    const bin = process.env.LACET_BIN;
    if (!bin) throw new Error("LACET_BIN names no lacet: build one and set it");
    const env = { ...process.env, LACET_DATA: join(this.folder, "data") };
    if (existsSync(ANDORRA)) {
      execFileSync(bin, ["import", "andorra", ANDORRA], { env, stdio: ["ignore", "ignore", "pipe"] });
    } else console.log(`no ${ANDORRA}: tests on a real extract are skipped`);
    this.#server = spawn(bin, ["demo", "--no-open", "--listen", "127.0.0.1:0"], {
      env,
      stdio: ["ignore", "pipe", "pipe"],
    });
    process.once("exit", () => this.#server.kill("SIGKILL"));
    this.url = await address(this.#server);
    this.#browser = await chromium.launch({
      executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
      args: FLAGS,
    });
    this.regions = (await this.get("regions")).map((r) => r.name);
  }

  async get(path) {
    const answer = await fetch(`${this.url}api/${path}`);
    if (!answer.ok) throw new Error(`GET ${path}: ${answer.status} ${await answer.text()}`);
    return answer.json();
  }

  async send(method, path, body) {
    const answer = await fetch(`${this.url}api/${path}`, {
      method,
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
    });
    if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${await answer.text()}`);
    return answer.status === 204 ? undefined : answer.text();
  }

  /** Puts a tour of these points on the shelf, as if it had been planned before. */
  async shelve(tour) {
    return JSON.parse(await this.send("POST", "tours", { tour })).id;
  }

  /**
   * A rider before a fresh page: a tour of the shelf or none, the map over these places. A small window,
   * because every pixel is drawn by the processor here.
   */
  async rider(region, places, tour, screen) {
    const { width = 1100, height = 720, colorScheme = "light", hasTouch = false } = screen;
    await this.send("PUT", "state", { view: { region, ...viewOf(places, width) } });
    const context = await this.#browser.newContext({
      viewport: { width, height },
      colorScheme,
      hasTouch,
      acceptDownloads: true,
      reducedMotion: "reduce",
    });
    const rider = new Rider(context, await context.newPage(), this.url);
    await rider.goto(tour);
    return rider;
  }

  async close() {
    await this.#browser?.close().catch(() => {});
    if (this.#server && this.#server.exitCode === null) {
      const gone = new Promise((done) => this.#server.once("exit", done));
      this.#server.kill("SIGTERM");
      const timer = setTimeout(() => this.#server.kill("SIGKILL"), 3000);
      await gone;
      clearTimeout(timer);
    }
    rmSync(this.folder, { recursive: true, force: true });
  }
}

/** Centre and zoom at which places lie on the part of the map that nothing covers. */
function viewOf(places, width) {
  const [lats, lons] = [places.map((p) => p[0]), places.map((p) => p[1])];
  const cardPx = width < 700 ? 0 : 350;
  const [w, e, s, n] = [Math.min(...lons), Math.max(...lons), Math.min(...lats), Math.max(...lats)];
  const squeeze = Math.cos((s * Math.PI) / 180);
  const degPerPx = Math.max((e - w) / (width - cardPx - 120), (n - s) / squeeze / 300);
  return {
    lat: (s + n) / 2 - 30 * degPerPx * squeeze,
    lon: (w + e) / 2 + (cardPx / 2) * degPerPx,
    // A world of 512 px at zoom 0.
    zoom: Math.log2(360 / 512 / degPerPx),
  };
}

/** The address a starting server prints. */
function address(server) {
  return new Promise((found, no) => {
    let [out, err] = ["", ""];
    server.stdout.on("data", (bytes) => {
      out += bytes;
      const url = /http:\/\/\S+/.exec(out)?.[0];
      if (url) found(url.endsWith("/") ? url : `${url}/`);
    });
    server.stderr.on("data", (bytes) => {
      err = (err + bytes).slice(-4000);
    });
    server.once("exit", (code) => no(new Error(`lacet demo ended with ${code}: ${err}`)));
  });
}
