// Bundles the page into dist, which the program embeds.
import * as esbuild from "esbuild";
import { cp } from "node:fs/promises";

await esbuild.build({
  entryPoints: ["src/main.ts", "src/desk.css", "src/audit.ts", "src/audit.css"],
  outdir: "dist",
  bundle: true,
  minify: true,
  format: "esm",
  target: "es2022",
  legalComments: "linked",
  logLevel: "warning",
});
for (const page of ["index.html", "audit.html"]) await cp(`src/${page}`, `dist/${page}`);
