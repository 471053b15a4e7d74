package phantom

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"pithward/measure"
)

// TestDemo checks the demo's story without painting it: the sheet's rows are
// the trays' cores in order, living trees end with the year before their
// sampling or that year, pines of one year agree, and one lacks a ring.
func TestDemo(t *testing.T) {
	widths := map[string]map[int]float64{}
	for _, d := range []demoTray{demoTrayA(), demoTrayB()} {
		tray := d.tray.filled()
		if len(d.rows) != len(tray.Cores) {
			t.Fatalf("%s: %d rows for %d cores", tray.Name, len(d.rows), len(tray.Cores))
		}
		s := newScene(&tray, 1)
		truth := s.truth(newPicture(&Tray{WidthPx: 1, HeightPx: 1}))
		for i, c := range truth.Cores {
			if c.ID != d.rows[i].core {
				t.Errorf("%s: position %d is %s on the tray, %s on the sheet", tray.Name, i+1, c.ID, d.rows[i].core)
			}
			if yes := d.rows[i].bark == "yes"; c.BarkPresent != yes {
				t.Errorf("%s: bark %v, the sheet says %v", c.ID, c.BarkPresent, yes)
			}
			if c.Wood != measure.Conifer {
				continue
			}
			widths[c.ID] = map[int]float64{}
			for _, r := range c.Rings {
				widths[c.ID][r.Year] = r.WidthMM
			}
		}
	}
	for id, last := range map[string]int{"OSVP01A": 2023, "OSVP04A": 2024, "OSVT01": 1968} {
		if _, ok := widths[id][last-1]; !ok {
			t.Errorf("%s has no ring of %d", id, last-1)
		}
		if _, ok := widths[id][last+1]; ok {
			t.Errorf("%s has a ring of %d", id, last+1)
		}
	}
	if _, ok := widths["OSVP03A"][hardYear]; ok {
		t.Errorf("OSVP03A has a ring of %d", hardYear)
	}
	for _, pair := range [][2]string{{"OSVP01A", "OSVP02A"}, {"OSVP01A", "OSVP03A"}, {"OSVP02A", "OSVT01"}, {"OSVT01", "OSVT02"}} {
		r, n := agreement(widths[pair[0]], widths[pair[1]])
		if r < 0.5 || n < 35 {
			t.Errorf("%s and %s: r = %.2f over %d years, too little to date by", pair[0], pair[1], r, n)
		}
	}
}

// agreement correlates the yearly changes of the logarithms of two series.
func agreement(a, b map[int]float64) (r float64, n int) {
	var sx, sy, sxx, syy, sxy float64
	for y := range a {
		if a[y] > 0 && a[y-1] > 0 && b[y] > 0 && b[y-1] > 0 {
			u, v := math.Log(a[y]/a[y-1]), math.Log(b[y]/b[y-1])
			n++
			sx, sy, sxx, syy, sxy = sx+u, sy+v, sxx+u*u, syy+v*v, sxy+u*v
		}
	}
	k := float64(n)
	return (k*sxy - sx*sy) / math.Sqrt((k*sxx-sx*sx)*(k*syy-sy*sy)), n
}

// TestWriteDemo writes the demo and reads its sheet back.
func TestWriteDemo(t *testing.T) {
	if testing.Short() {
		t.Skip("renders 80 megapixels")
	}
	dir := t.TempDir()
	var steps []int
	if err := WriteDemo(dir, func(done, of int) { steps = append(steps, done*100/of) }); err != nil {
		t.Fatal(err)
	}
	if !slices.IsSorted(steps) || steps[len(steps)-1] != 100 {
		t.Errorf("progress %v, want it to rise to 100", steps)
	}
	f, err := os.Open(filepath.Join(dir, "cores.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 11 {
		t.Errorf("cores.csv: %d rows, %v", len(rows), err)
	}
	for _, name := range []string{"tray-a", "tray-b"} {
		if _, err := ReadTruth(filepath.Join(dir, name+".truth.json")); err != nil {
			t.Error(err)
		}
		if i, err := os.Stat(filepath.Join(dir, name+".tif")); err != nil || i.Size() < 1<<20 {
			t.Errorf("%s.tif: %v, %v", name, i, err)
		}
	}
}
