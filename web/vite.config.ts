import { defineConfig } from "vite";

// `LACET_SERVER` names a running `lacet serve` for `npm run dev`. It answers its own page only.
const target = process.env.LACET_SERVER ?? "http://127.0.0.1:8080";
const proxy = { "/api": { target, changeOrigin: true, ws: true, headers: { origin: target } } };

export default defineConfig({
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  build: {
    target: "es2022",
    chunkSizeWarningLimit: 2000,
    assetsInlineLimit: 0,
  },
  preview: { proxy },
  server: { proxy },
});
