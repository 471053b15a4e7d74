// Bundles the page into dist, which the program embeds.
import * as esbuild from "esbuild";
import { cp } from "node:fs/promises";

await esbuild.build({
  entryPoints: ["main", "audit", "class", "assist"].map((n) => `src/${n}.ts`).concat(["desk", "audit", "class"].map((n) => `src/${n}.css`)),
  outdir: "dist",
  bundle: true,
  minify: true,
  format: "esm",
  target: "es2022",
  legalComments: "linked",
  logLevel: "warning",
});
for (const page of ["index", "audit", "class", "assist"]) await cp(`src/${page}.html`, `dist/${page}.html`);
