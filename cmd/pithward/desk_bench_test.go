package main

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"pithward/vision/phantom"
)

// steps goes closer, along and further off on the page, and gives how long each
// step took until it was drawn, ms.
const steps = `(async () => {
	const frame = () => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)));
	const took = [];
	for (const key of ["+", "+", "ArrowRight", "ArrowRight", "+", "ArrowRight", "+", "ArrowLeft", "-", "-", "ArrowLeft", "-", "-", "0", "+", "+", "+", "+", "n", "n"]) {
		const start = performance.now();
		document.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
		await frame();
		took.push(performance.now() - start);
		await new Promise(r => setTimeout(r, 400)); // it comes to rest
	}
	return JSON.stringify(took);
})()`

// BenchmarkDeskView opens the big tray, 14000 x 6000 px, whose tiles have been
// cut before, and goes about on a core: how long until the first view, and the
// slowest of twenty steps. Reach: 2 s and 100 ms.
func BenchmarkDeskView(b *testing.B) {
	dir := b.TempDir()
	scan := filepath.Join(dir, "big.tif")
	pic, _ := phantom.Render(phantom.BigTray(1), 1)
	f, err := os.Create(scan)
	if err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Close()); err != nil {
		b.Fatal(err)
	}
	project := filepath.Join(dir, "big.pithward")
	prepare(b, dir, project, scan)
	for b.Loop() {
		cmd, url := startDesk(b, dir, project)
		begin := time.Now()
		p := openPage(b, cmd, url)
		p.until("the tray is there", `document.querySelectorAll(".tray svg image").length > 0 && document.querySelectorAll(".core-name").length > 0`)
		first := time.Since(begin)
		p.enter(1)
		var text string
		p.do("go about", chromedp.Evaluate(steps, &text, awaited))
		var took []float64
		if err := json.Unmarshal([]byte(text), &took); err != nil {
			b.Fatal(err)
		}
		worst, sum := 0.0, 0.0
		for _, ms := range took {
			worst, sum = max(worst, ms), sum+ms
		}
		b.ReportMetric(float64(first.Milliseconds()), "ms-to-first-view")
		b.ReportMetric(worst, "ms-slowest-step")
		b.ReportMetric(sum/float64(len(took)), "ms-mean-step")
	}
}

// prepare measures the scan into the project and has its tiles cut.
func prepare(b *testing.B, dir, project, scan string) {
	b.Helper()
	cmd, url := startDesk(b, dir, project, scan)
	p := openPage(b, cmd, url)
	begin := time.Now()
	for time.Since(begin) < 3*time.Minute {
		var ready bool
		p.eval(`document.querySelectorAll(".tray svg image").length > 0`, &ready)
		if ready {
			_ = cmd.Process.Signal(os.Interrupt)
			_ = cmd.Wait() // how it ends is tested elsewhere
			b.Logf("measured and cut in %v", time.Since(begin))
			return
		}
		time.Sleep(time.Second)
	}
	b.Fatal("the tray was not measured in time")
}
