import { defineConfig } from "vite";

// The page is served by the desk itself and reads nothing from anywhere else.
export default defineConfig({
  base: "/",
  worker: { format: "es" },
  build: {
    outDir: "../soffit/shop/static",
    emptyOutDir: true,
    target: "es2022",
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    reportCompressedSize: false,
    chunkSizeWarningLimit: 900,
  },
});
