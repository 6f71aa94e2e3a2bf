import { defineConfig } from "vite";

// `LACET_SERVER` names a running `lacet serve` for `npm run dev`.
const api = { target: process.env.LACET_SERVER ?? "http://127.0.0.1:8080", ws: true };

export default defineConfig({
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  build: {
    target: "es2022",
    chunkSizeWarningLimit: 2000,
    assetsInlineLimit: 0,
  },
  preview: { proxy: { "/api": api } },
  server: { proxy: { "/api": api } },
});
