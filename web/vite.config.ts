import { defineConfig } from "vite";

// Relative addresses, so that the pages do not care where they are served; no hash in the folder.
export default defineConfig({
  base: "./",
  build: {
    outDir: "../src/lashwave/serving/pages",
    emptyOutDir: true,
    assetsInlineLimit: 0,
    chunkSizeWarningLimit: 900,
    sourcemap: false,
    modulePreload: { polyfill: false },
  },
});
