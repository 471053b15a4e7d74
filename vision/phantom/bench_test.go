package phantom

import "testing"

// BenchmarkRender renders a tray of six 80 mm cores at 1200 dpi of each wood.
func BenchmarkRender(b *testing.B) {
	for _, seed := range []uint64{2, 11} {
		t := RandomTray(seed, Options{Cores: 6, LengthMM: 80})
		b.Run(t.Name, func(b *testing.B) {
			for b.Loop() {
				p, _ := Render(t, seed)
				b.ReportMetric(float64(p.Width*p.Height)/1e6, "Mpx")
			}
		})
	}
}
