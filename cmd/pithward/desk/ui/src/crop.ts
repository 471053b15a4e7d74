// Crops of the wood, all at one magnification, drawn from the scan's tiles.
import { half } from "./coords";
import type { Picture, Point } from "./model";

// As the server's tiles are: each repeats a px of its neighbours.
export const tileSize = 512;
export const overlap = 1;

const images = new Map<string, Promise<HTMLImageElement>>();
const keptImages = 60;

function load(src: string): Promise<HTMLImageElement> {
  let image = images.get(src);
  if (!image) {
    image = new Promise((resolve, reject) => {
      const i = new Image();
      i.onload = () => resolve(i);
      i.onerror = () => reject(new Error(src));
      i.src = src;
    });
    images.set(src, image);
    if (images.size > keptImages) images.delete(images.keys().next().value as string);
  }
  return image;
}

// crop draws the scan round a place, turned by degrees, so many screen px for
// one px of the scan, and then has mark draw on it with the place at 0, 0.
export async function crop(canvas: HTMLCanvasElement, scan: Picture, at: Point, degrees: number, zoom: number, mark: (c: CanvasRenderingContext2D) => void): Promise<void> {
  const ratio = window.devicePixelRatio || 1;
  const [w, h] = [canvas.clientWidth, canvas.clientHeight];
  canvas.width = w * ratio;
  canvas.height = h * ratio;
  const c = canvas.getContext("2d");
  if (!c || !scan.tiles) return;
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  await paint(c, scan, at, degrees, zoom, w, h);
  mark(c);
}

// paint draws the scan round a place into the middle of a picture of w by h.
export async function paint(c: CanvasRenderingContext2D, scan: Picture, at: Point, degrees: number, zoom: number, w: number, h: number): Promise<void> {
  const top = Math.ceil(Math.log2(Math.max(scan.width_px, scan.height_px)));
  const reach = Math.hypot(w, h) / 2 / zoom;
  const base = scan.tiles.replace(/\.dzi$/, `_files/${top}/`);
  const jobs: Promise<void>[] = [];
  c.translate(w / 2, h / 2);
  c.rotate((degrees * Math.PI) / 180);
  c.scale(zoom, zoom);
  const [x0, y0] = [at[0] + half, at[1] + half];
  const last = (n: number) => Math.ceil(n / tileSize) - 1;
  for (let x = Math.max(0, Math.floor((x0 - reach) / tileSize)); x <= Math.min(last(scan.width_px), Math.floor((x0 + reach) / tileSize)); x++) {
    for (let y = Math.max(0, Math.floor((y0 - reach) / tileSize)); y <= Math.min(last(scan.height_px), Math.floor((y0 + reach) / tileSize)); y++) {
      jobs.push(load(`${base}${x}_${y}.jpg`).then((image) => c.drawImage(image, x * tileSize - (x > 0 ? overlap : 0) - x0, y * tileSize - (y > 0 ? overlap : 0) - y0)));
    }
  }
  await Promise.allSettled(jobs);
}
