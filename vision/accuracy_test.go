package vision

import (
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
	marks "pithward/vision/phantom/score"
)

// measured runs the whole chain on a picture file.
func measured(t *testing.T, path string) measure.Measurement {
	t.Helper()
	s, err := ReadScan(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	m, err := Measure(context.Background(), s, measure.Job{Scan: path, Settings: measure.Settings{Season: measure.DefaultSeason()}}, func(string, int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	m.Identify(strings.Repeat("5a", 32)) // any
	if err := measure.Validate(m); err != nil {
		t.Error(err)
	}
	return m
}

func writeTIFF(t *testing.T, p *phantom.Picture) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tray.tif")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := p.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}); err != nil {
		t.Fatal(err)
	}
	return path
}

var update = flag.Bool("update", false, "write the golden files anew")

const accuracyGolden = "testdata/accuracy.txt"

// TestRenderedTrays measures one rendered tray of each kind of wood, told
// nothing but the picture, against its truth: no worse than what is written
// down. `go test ./vision -run RenderedTrays -update` writes it anew after a
// change; `make evaluate` prints more, on more trays.
func TestRenderedTrays(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures three trays")
	}
	var got []accuracy
	for _, tt := range []struct {
		wood measure.Wood
		seed uint64
	}{
		{measure.Conifer, 7101},
		{measure.RingPorous, 7102},
		{measure.DiffusePorous, 7103},
	} {
		t.Run(string(tt.wood), func(t *testing.T) {
			p, truth := phantom.Render(phantom.RandomTray(tt.seed, phantom.Options{Wood: tt.wood, Cores: 4, LengthMM: 60}), tt.seed)
			s := marks.Of(measured(t, writeTIFF(t, p)), truth, marks.Rule{})
			if len(s.Missed) > 0 || len(s.Invented) > 0 {
				t.Errorf("cores missed %v, invented %v", s.Missed, s.Invented)
			}
			if truth.Ruler != nil && !(math.Abs(s.ScaleErr) < 0.001) {
				t.Errorf("scale wrong by %.4f", s.ScaleErr)
			}
			got = append(got, accuracyOf(string(tt.wood), s))
		})
	}
	if *update {
		writeAccuracy(t, got)
		return
	}
	want := readAccuracy(t)
	for i, g := range got {
		if i >= len(want) || want[i].wood != g.wood {
			t.Fatalf("%s lacks %s: run with -update", accuracyGolden, g.wood)
		}
		g.noWorse(t, want[i])
	}
}

// accuracy is a row of the golden table.
type accuracy struct {
	wood                   string
	cores, woods, ends     int // found, and told rightly
	right, wrong, missed   int // boundaries
	rmse                   float64
	widths, held           int // widths compared, and those within their 95 % interval
	veils, seen, veilWrong int // hidden stretches there, found, invented
}

func accuracyOf(wood string, s marks.Scan) accuracy {
	var y marks.Tally
	for i := range s.Cores {
		y.Add(&s.Cores[i])
	}
	return accuracy{wood, y.Cores, y.Wood, y.BarkEnd, y.Right, y.Wrong, y.True - y.Right, y.Widths.RMSE(), y.Widths.WithSD, y.Widths.Covered,
		y.Veils.True, y.Veils.Found, y.Veils.Invented}
}

const accuracyRow = "%s %d %d %d %d %d %d %f %d %d %d %d %d\n"

func writeAccuracy(t *testing.T, rows []accuracy) {
	t.Helper()
	var b strings.Builder
	fmt.Fprintln(&b, "wood cores kinds-right ends-right boundaries-right wrong missed width-RMSE-mm widths within-95-% hidden-stretches found invented")
	for _, a := range rows {
		fmt.Fprintf(&b, strings.Replace(accuracyRow, "%f", "%.4f", 1), a.wood, a.cores, a.woods, a.ends, a.right, a.wrong, a.missed, a.rmse, a.widths, a.held, a.veils, a.seen, a.veilWrong)
	}
	if err := os.MkdirAll("testdata", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(accuracyGolden, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

func readAccuracy(t *testing.T) []accuracy {
	t.Helper()
	b, err := os.ReadFile(accuracyGolden)
	if err != nil {
		t.Fatal(err)
	}
	var rows []accuracy
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n")[1:] {
		var a accuracy
		if _, err := fmt.Sscanf(line+"\n", accuracyRow, &a.wood, &a.cores, &a.woods, &a.ends, &a.right, &a.wrong, &a.missed, &a.rmse, &a.widths, &a.held, &a.veils, &a.seen, &a.veilWrong); err != nil {
			t.Fatalf("%s: %q: %v", accuracyGolden, line, err)
		}
		rows = append(rows, a)
	}
	return rows
}

// noWorse allows two boundaries and a twentieth of the RMSE more than written
// down, since processors round differently, and an interval two in a hundred
// off its 95.
func (a accuracy) noWorse(t *testing.T, than accuracy) {
	t.Helper()
	if a.cores < than.cores || a.woods < than.woods || a.ends < than.ends || a.seen < than.seen || a.veilWrong > than.veilWrong {
		t.Errorf("%s: worse told: %+v, written down %+v", a.wood, a, than)
	}
	if a.wrong+a.missed > than.wrong+than.missed+2 {
		t.Errorf("%s: %d boundaries wrong, %d missed; written down %d and %d", a.wood, a.wrong, a.missed, than.wrong, than.missed)
	}
	if a.rmse > 1.05*than.rmse {
		t.Errorf("%s: width RMSE %.4f mm, written down %.4f", a.wood, a.rmse, than.rmse)
	}
	if share, was := float64(a.held)/float64(a.widths), float64(than.held)/float64(than.widths); math.Abs(share-0.95) > math.Abs(was-0.95)+0.02 {
		t.Errorf("%s: 95 %% intervals hold %.3f, written down %.3f", a.wood, share, was)
	}
}

// f1 is the F1 of the boundaries of all cores of a scan.
func f1(s marks.Scan) (f float64, right, wrong, missed int) {
	for _, c := range s.Cores {
		for _, b := range c.Boundaries {
			if b.Right {
				right++
			} else {
				wrong++
			}
		}
		missed += len(c.Missed)
	}
	return 2 * float64(right) / float64(2*right+wrong+missed), right, wrong, missed
}

// TestHiddenWood lays much over the wood: what is hidden is listed, the rings
// across it are flagged, and the count says so.
func TestHiddenWood(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures a tray")
	}
	tray := phantom.RandomTray(7104, phantom.Options{Wood: measure.Conifer, Cores: 3, LengthMM: 50, Plain: true})
	for i := range tray.Cores {
		tray.Cores[i].Marks.Smears = 8
	}
	p, truth := phantom.Render(tray, 7104)
	s := marks.Of(measured(t, writeTIFF(t, p)), truth, marks.Rule{})
	var y marks.Tally
	for i := range s.Cores {
		c := &s.Cores[i]
		y.Add(c)
		flagged := 0
		for _, r := range c.Found.Rings {
			if slices.Contains(r.Flags, measure.FlagObscured) {
				flagged++
			}
		}
		if len(c.Found.Obscured) > 0 && flagged == 0 {
			t.Errorf("core %d: no ring across %d hidden stretches is flagged", c.Truth.Position, len(c.Found.Obscured))
		}
		if math.Abs(c.ExpectedErr) > 3*c.ExpectedSD+1 {
			t.Errorf("core %d: count off by %.1f, stated deviation %.1f", c.Truth.Position, c.ExpectedErr, c.ExpectedSD)
		}
	}
	if v := y.Veils; v.True < 5 || 10*v.Found < 7*v.True || v.Invented > 1 {
		t.Errorf("hidden stretches: %+v", v)
	}
}

// TestSecondRadius reads a core that goes 15 mm past the pith: the rings there
// are listed as a second radius.
func TestSecondRadius(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures a tray")
	}
	tray := phantom.RandomTray(7105, phantom.Options{Wood: measure.Conifer, Cores: 1, LengthMM: 40, Plain: true})
	c := &tray.Cores[0]
	c.LengthMM, c.PastMM, c.PithMissMM = 0, 15, 0.4
	phantom.Arrange(rand.New(rand.NewPCG(7105, 1)), &tray, phantom.Options{Plain: true})
	p, truth := phantom.Render(tray, 7105)
	m := measured(t, writeTIFF(t, p))
	got := m.Cores[0].SecondRadius
	if got == nil {
		t.Fatalf("no second radius; pith found: %v", m.Cores[0].PithPresent)
	}
	var there, found int
	for _, b := range truth.Cores[0].Boundaries {
		if b.Side > 0 || b.K >= len(truth.Cores[0].Boundaries) {
			continue
		}
		mid := b.LinePx[len(b.LinePx)/2]
		if d := math.Hypot(mid[0]-truth.Cores[0].PithPx[0], mid[1]-truth.Cores[0].PithPx[1]) * truth.MMPerPx[0]; d < 2 || d > 14.5 {
			continue // round the pith, and at the very end
		}
		there++
		if slices.ContainsFunc(got.Boundaries, func(x measure.Boundary) bool { return math.Abs(x.PointPx[0]-mid[0])*truth.MMPerPx[0] < 0.1 }) {
			found++
		}
	}
	if there < 4 || 10*found < 8*there || len(got.Rings) > there+6 {
		t.Errorf("%d of %d boundaries found, %d rings listed", found, there, len(got.Rings))
	}
	if last := got.Boundaries[len(got.Boundaries)-1]; last.Kind != measure.Inner {
		t.Errorf("its last boundary is %s, not the pith", last.Kind)
	}
}

// TestRealStrips measures strips of real pine with traced boundaries (Marichal
// et al. 2024, arXiv 2404.10856), where they are there. Their README gives the
// tolerance: the truth is known to 0.17 mm.
func TestRealStrips(t *testing.T) {
	dirs, _ := filepath.Glob("../../shared/real/pine-*")
	if len(dirs) == 0 {
		t.Skip("../shared/real is not there")
	}
	all := marks.Scan{}
	for _, dir := range dirs {
		truth, err := phantom.ReadTruth(filepath.Join(dir, "truth.json"))
		if err != nil {
			t.Fatal(err)
		}
		s := marks.Of(measured(t, filepath.Join(dir, truth.File)), truth, marks.Rule{ToleranceMM: 0.17})
		if len(s.Missed) > 0 || len(s.Invented) > 0 {
			t.Errorf("%s: cores missed %v, invented %v", truth.Case, s.Missed, s.Invented)
		}
		if !(math.Abs(s.ScaleErr) < 0.001) {
			t.Errorf("%s: scale wrong by %.4f", truth.Case, s.ScaleErr)
		}
		all.Cores = append(all.Cores, s.Cores...)
	}
	if f, right, wrong, missed := f1(all); f < 0.97 {
		t.Errorf("boundary F1 %.3f (right %d, wrong %d, missed %d), want at least 0.97", f, right, wrong, missed)
	}
}
