package main

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	_ "image/png"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pithward/cmd/cost/usage"
	"pithward/measure"
	"pithward/measure/archive"
	"pithward/vision/header"
	"pithward/vision/phantom"
)

// built returns the path of the program as make build leaves it, with the
// real worker beside it.
func built(t testing.TB) string {
	t.Helper()
	path, err := filepath.Abs("../../bin/pithward")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{path, path + "-scan"} {
		if _, err := os.Stat(p); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatalf("%s is not there: run make build first", p)
			}
			t.Skipf("%s is not there: run make build first", p)
		}
	}
	return path
}

// user runs the built program as a user does.
func user(t testing.TB, args ...string) (status int, out, talk string) {
	t.Helper()
	cmd := exec.Command(built(t), args...)
	var o, e strings.Builder
	cmd.Stdout, cmd.Stderr = &o, &e
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), o.String(), e.String()
}

// The program starts within 50 ms: it holds no image library, and what it does
// at start is little. The best of ten counts, as the machine may be busy.
func TestStart(t *testing.T) {
	best := time.Hour
	for range 10 {
		begin := time.Now()
		if status, _, _ := user(t, "--help"); status != 0 {
			t.Fatalf("status %d", status)
		}
		best = min(best, time.Since(begin))
	}
	if best > 50*time.Millisecond {
		t.Errorf("started in %v", best)
	}
}

// tray renders a small plain tray of two pines of known truth into dir.
func tray(t *testing.T, dir string) (scan string, truth phantom.Truth) {
	t.Helper()
	pic, truth := phantom.Render(phantom.RandomTray(11, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 40, Plain: true}), 11)
	scan = filepath.Join(dir, "tray.tif")
	f, err := os.Create(scan)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Close()); err != nil {
		t.Fatal(err)
	}
	return scan, truth
}

// The main job, from a scan and a sheet to every file, by the programs that
// people get.
func TestMeasureATray(t *testing.T) {
	if testing.Short() {
		t.Skip("measures a whole tray")
	}
	dir := t.TempDir()
	scan, truth := tray(t, dir)
	sheet := writeFile(t, filepath.Join(dir, "cores.csv"),
		"scan,position,core,status,sampled,hemisphere,species,outer_year\ntray,1,OSV01A,,,,Pinus sylvestris,2001\ntray,2,OSV02A,,,,Pinus sylvestris,\n")
	status, out, talk := user(t, "measure", scan, "--sheet", sheet, "--strips")
	if status != 0 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	m := checkJSON(t, filepath.Join(dir, "tray.json"))
	if m.Scale.Source != measure.ScaleRuler {
		t.Errorf("scale by %s", m.Scale.Source)
	}
	if len(m.Cores) != len(truth.Cores) {
		t.Fatalf("%d cores, the tray has %d", len(m.Cores), len(truth.Cores))
	}
	for i, c := range m.Cores {
		if want := len(truth.Cores[i].Rings); len(c.Rings) < want*8/10 || len(c.Rings) > want*12/10 {
			t.Errorf("%s: %d rings, it has %d", c.ID, len(c.Rings), want)
		}
		if !strings.Contains(out, "  "+c.ID+" ") {
			t.Errorf("no line for %s:\n%s", c.ID, out)
		}
	}
	if first := m.Cores[0].Rings[0]; m.Cores[0].ID != "OSV01A" || first.Year == nil || *first.Year+first.Index != 2002 {
		t.Errorf("%s: first ring %+v, the outermost complete one is of 2001", m.Cores[0].ID, first)
	}
	checkSeries(t, filepath.Join(dir, "tray.rwl"), m.Cores[0])
	checkSeries(t, filepath.Join(dir, "tray.undated.rwl"), m.Cores[1])
	if table := lines(read(t, filepath.Join(dir, "tray.csv"))); len(table) != 1+len(m.Cores[0].Rings)+len(m.Cores[1].Rings) {
		t.Errorf("the table has %d lines", len(table))
	}
	checkPicture(t, filepath.Join(dir, "tray.overlay.png"), m.Scan)
	if strips := files(t, filepath.Join(dir, "tray.strips")); len(strips) != len(m.Cores) {
		t.Errorf("strips %q, want one a core", strips)
	}
	for _, name := range files(t, dir) {
		if path := filepath.Join(dir, name); !strings.Contains(out, path) && path != sheet {
			t.Errorf("%s is not named in the summary, or should not be there", name)
		}
	}
}

// checkSeries reads a decadal file back and holds it to the core's rings.
func checkSeries(t *testing.T, path string, c measure.Core) {
	t.Helper()
	got, err := archive.ReadTucson(path, []byte(read(t, path)))
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Series) != 1 || got.Series[0].ID != c.ID {
		t.Fatalf("%s: %d series, want %s alone", path, len(got.Series), c.ID)
	}
	s := got.Series[0]
	var want []measure.Ring // complete ones
	for _, r := range c.Rings {
		if r.Index > 0 {
			want = append(want, r)
		}
	}
	if len(s.Widths) != len(want) {
		t.Fatalf("%s: %d widths for %d rings", path, len(s.Widths), len(want))
	}
	for i, r := range want {
		w := s.Widths[len(want)-1-i]
		if r.WidthMM == nil || !w.Measured() {
			continue
		}
		if d := float64(w) - *r.WidthMM; d > 0.00051 || d < -0.00051 { // half a unit
			t.Errorf("%s: ring %d is %v mm, written %v", path, r.Index, *r.WidthMM, w)
		}
	}
	if r := want[0]; r.Year != nil && s.LastYear() != *r.Year {
		t.Errorf("%s: ends in %d, want %d", path, s.LastYear(), *r.Year)
	}
	if want[0].Year == nil && s.FirstYear != 1 {
		t.Errorf("%s: undated, but begins in %d", path, s.FirstYear)
	}
}

// checkPicture holds the overlay to its limit of 4000 px and to the scan's
// shape, its foot apart.
func checkPicture(t *testing.T, path string, scan measure.Scan) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	p, _, err := image.DecodeConfig(f)
	if err != nil {
		t.Fatal(err)
	}
	if longest := max(p.Width, p.Height); longest > 4000 || longest < min(1000, scan.WidthPx/2) {
		t.Errorf("overlay of %d x %d px for a scan of %d x %d", p.Width, p.Height, scan.WidthPx, scan.HeightPx)
	}
}

// Real wood: a strip of a photographed pine disc (Marichal et al. 2024, a
// public dataset of cross-section images of Pinus taeda, arXiv 2404.10856)
// beside a drawn ruler, with traced boundaries. How well it is read is judged
// elsewhere; here a user gets every file, scaled by the ruler.
func TestMeasureRealWood(t *testing.T) {
	folder := "../../../shared/real/pine-015"
	if _, err := os.Stat(folder); err != nil {
		t.Skip("the strips of real wood (../shared/real) are not here")
	}
	if testing.Short() {
		t.Skip("measures a whole scan")
	}
	var truth struct {
		MMPerPx [2]float64 `json:"mm_per_px"`
		Cores   []struct {
			BarkEnd string `json:"bark_end"`
		}
	}
	if err := json.Unmarshal([]byte(read(t, filepath.Join(folder, "truth.json"))), &truth); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if status, _, talk := user(t, "measure", filepath.Join(folder, "pine-015.png"), "--out", dir); status != 0 {
		t.Fatalf("status %d, said %q", status, talk)
	}
	m := checkJSON(t, filepath.Join(dir, "pine-015.json"))
	if m.Scale.MMPerPx == nil {
		t.Fatal("no scale")
	}
	if r := m.Scale.MMPerPx[0] / truth.MMPerPx[0]; r < 0.999 || r > 1.001 { // design: within 0.1 %
		t.Errorf("scale %v mm, want %v", m.Scale.MMPerPx[0], truth.MMPerPx[0])
	}
	if len(m.Cores) != 1 || m.Cores[0].BarkEnd == nil || string(*m.Cores[0].BarkEnd) != truth.Cores[0].BarkEnd {
		t.Errorf("%d cores, want one with its bark %s", len(m.Cores), truth.Cores[0].BarkEnd)
	}
}

// A TIFF with a preview before the scan itself gives the scan's measurement,
// and says that there was more in it.
func TestMeasureBehindAPreview(t *testing.T) {
	if testing.Short() {
		t.Skip("measures a whole tray")
	}
	dir := t.TempDir()
	plain, _ := tray(t, dir)
	file := []byte(read(t, plain))
	// A directory of one field, NewSubfileType 1: a reduced copy (TIFF 6.0, page
	// 36); its next one is the scan's.
	le := binary.LittleEndian
	file = append(file, make([]byte, len(file)%2)...)
	at, scan := uint32(len(file)), le.Uint32(file[4:])
	for _, v := range []uint16{1, 254, 4, 1, 0, 1, 0} {
		file = le.AppendUint16(file, v)
	}
	file = le.AppendUint32(file, scan)
	le.PutUint32(file[4:], at)
	paged := writeFile(t, filepath.Join(dir, "paged.tif"), string(file))
	status, out, talk := user(t, "measure", plain, paged)
	const said = "the file holds 2 pictures: the first of full size, number 2, was measured, the others were not"
	if status != 0 || strings.Count(out, "  heed: "+said+"\n") != 1 {
		t.Fatalf("status %d, said %q\n%s", status, talk, out)
	}
	a, b := checkJSON(t, filepath.Join(dir, "tray.json")), checkJSON(t, filepath.Join(dir, "paged.json"))
	if !slices.Contains(b.Warnings, said) || len(a.Cores) != len(b.Cores) {
		t.Fatalf("%d and %d cores, warnings %q", len(a.Cores), len(b.Cores), b.Warnings)
	}
	for i := range a.Cores {
		if d := cmp.Diff(a.Cores[i].Rings, b.Cores[i].Rings); d != "" {
			t.Errorf("rings (-alone +behind a preview):\n%s", d)
		}
	}
}

// columns returns the columns of a picture from x0 to x1.
func columns(p *phantom.Picture, x0, x1 int) *phantom.Picture {
	cut := &phantom.Picture{Width: x1 - x0, Height: p.Height, Channels: p.Channels, TagDPI: p.TagDPI}
	for y := range p.Height {
		cut.U8 = append(cut.U8, p.U8[(y*p.Width+x0)*p.Channels:(y*p.Width+x1)*p.Channels]...)
	}
	return cut
}

// Cores longer than the scanner's bed: two scans that overlap, and a sheet that
// says which rows are parts of one core, give each core once.
func TestMeasureLongCores(t *testing.T) {
	if testing.Short() {
		t.Skip("measures two scans")
	}
	dir := t.TempDir()
	pic, truth := phantom.Render(phantom.RandomTray(11, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 80, Plain: true}), 11)
	halves := map[string]*phantom.Picture{"left": columns(pic, 0, pic.Width*6/10), "right": columns(pic, pic.Width*4/10, pic.Width)}
	sheet := "scan,position,core,part\n"
	var all []string
	for _, name := range []string{"left", "right"} {
		f, err := os.Create(filepath.Join(dir, name+".tif"))
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(halves[name].WriteTIFF(f, phantom.TIFFOptions{}), f.Close()); err != nil {
			t.Fatal(err)
		}
		all = append(all, f.Name())
		for i, c := range truth.Cores {
			part := 2
			if string(c.BarkEnd) == name {
				part = 1
			}
			sheet += fmt.Sprintf("%s,%d,OSV%02dA,%d\n", name, i+1, i+1, part)
		}
	}
	project := filepath.Join(dir, "long.pithward")
	args := append([]string{"measure", "--project", project, "--sheet", writeFile(t, filepath.Join(dir, "cores.csv"), sheet)}, all...)
	status, out, talk := user(t, args...)
	if status != 0 {
		t.Fatalf("status %d, said %q", status, talk)
	}
	written := read(t, filepath.Join(dir, "left.undated.rwl")) + read(t, filepath.Join(dir, "right.undated.rwl"))
	m := checkJSON(t, filepath.Join(dir, "left.json"))
	if len(m.Joins) != len(truth.Cores) {
		t.Fatalf("%d joins, want %d:\n%s", len(m.Joins), len(truth.Cores), out)
	}
	for i, j := range m.Joins {
		want := len(truth.Cores[i].Rings)
		if !j.Joined || len(j.Rings) < want-2 || len(j.Rings) > want+2 {
			t.Errorf("%s: %d rings, it has %d; %s", j.ID, len(j.Rings), want, j.Detail)
		}
		if !strings.Contains(out, j.Detail) {
			t.Errorf("%q is not in the summary:\n%s", j.Detail, out)
		}
		onceIn(t, j, "measure", written)
	}
	// What is made from the results has each core once too.
	settled := filepath.Join(dir, "settled")
	if status, out, talk := user(t, "export", project, "--out", settled); status != 0 {
		t.Fatalf("export: status %d, said %q\n%s", status, talk, out)
	}
	exported := read(t, filepath.Join(settled, "left.undated.rwl")) + read(t, filepath.Join(settled, "right.undated.rwl"))
	var converted string
	for _, name := range []string{"left.json", "right.json"} {
		status, out, talk := user(t, "convert", filepath.Join(dir, name), "-", "--to", "tucson")
		if status != 0 || !strings.Contains(talk, "is left out, as all its rings are with its part 1 on ") {
			t.Fatalf("convert %s: status %d, said %q", name, status, talk)
		}
		converted += out
	}
	for _, j := range m.Joins {
		onceIn(t, j, "export", exported)
		onceIn(t, j, "convert", converted)
	}
}

// onceIn checks that a joined core is once in decadal text, with all its rings.
func onceIn(t *testing.T, j measure.Union, of, text string) {
	t.Helper()
	c, err := archive.ReadTucson("both.rwl", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var rings []int
	for _, s := range c.Series {
		if s.ID == j.ID {
			rings = append(rings, len(s.Widths))
		}
	}
	if len(rings) != 1 || rings[0] > len(j.Rings) || rings[0] < len(j.Rings)-1 { // a partial ring has no width
		t.Errorf("%s: %s has series of %v rings, the joined core %d", of, j.ID, rings, len(j.Rings))
	}
}

// TestMemoryOfMeasuring holds the peak memory of a whole run, all processes
// together, at three times the decoded scan and what a worker takes for itself
// whatever it measures, nearly all the image library: 85 MB on a scan of 0.1 MB.
func TestMemoryOfMeasuring(t *testing.T) {
	if testing.Short() {
		t.Skip("measures a scan of 60 MB")
	}
	const own = 90 << 20
	pic, _ := phantom.Render(phantom.RandomTray(11, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 40, Plain: true}), 11)
	one := pic.U8
	for len(pic.U8) < 40_000_000 { // more of the same tray, below one another
		pic.U8 = append(pic.U8, one...)
		pic.Height = len(pic.U8) / (pic.Width * pic.Channels)
	}
	scan := filepath.Join(t.TempDir(), "tray.tif")
	f, err := os.Create(scan)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Close()); err != nil {
		t.Fatal(err)
	}
	peak, err := usage.Peak(exec.Command(built(t), "measure", scan), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d MB, decoded %d MB", peak>>20, len(pic.U8)>>20)
	if limit := int64(own + 3*len(pic.U8)); peak > limit {
		t.Errorf("took %d MB at its peak, more than %d MB", peak>>20, limit>>20)
	}
	if peak < int64(len(pic.U8)) {
		t.Errorf("%d MB at its peak are less than the scan's: not looked at in time", peak>>20)
	}
}

// The worker keeps within the memory that is planned for a scan, by which it
// is decided how many are measured at once and which do not fit at all.
func TestMemoryOfWorker(t *testing.T) {
	if testing.Short() {
		t.Skip("measures a large scan")
	}
	pic, _ := phantom.Render(phantom.RandomTray(11, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 40, Plain: true}), 11)
	for len(pic.U8) < 200_000_000 { // more of the same tray, below one another
		pic.U8 = append(pic.U8, pic.U8[:pic.Width*pic.Height*pic.Channels]...)
	}
	pic.Height = len(pic.U8) / (pic.Width * pic.Channels)
	gray := &phantom.Picture{Width: pic.Width, Height: pic.Height, Channels: 1, TagDPI: pic.TagDPI}
	deep := &phantom.Picture{Width: pic.Width, Height: pic.Height, Channels: 3, TagDPI: pic.TagDPI}
	for i, v := range pic.U8 {
		if i%3 == 1 {
			gray.U8 = append(gray.U8, v)
		}
		deep.U16 = append(deep.U16, uint16(v)*257)
	}
	for name, p := range map[string]*phantom.Picture{"8-bit colour": pic, "8-bit gray": gray, "16-bit colour": deep} {
		t.Run(name, func(t *testing.T) { checkMemory(t, p) })
	}
}

// checkMemory measures a picture and holds the worker's peak to the plan.
func checkMemory(t *testing.T, pic *phantom.Picture) {
	t.Helper()
	dir := t.TempDir()
	scan := filepath.Join(dir, "large.tif")
	f, err := os.Create(scan)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{}), f.Close()); err != nil {
		t.Fatal(err)
	}
	h, err := header.ReadFile(scan)
	if err != nil {
		t.Fatal(err)
	}
	job, err := json.Marshal(measure.Job{Scan: scan, Settings: measure.Settings{Season: measure.DefaultSeason()}, Overlay: filepath.Join(dir, "o.png"), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(built(t) + "-scan")
	cmd.Stdin = strings.NewReader(string(job))
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	// The kernel's own mark of the peak, as it was last seen: what it tells of
	// a process that has ended counts its parent's memory too.
	var peak int64
	for running := true; running; {
		select {
		case err := <-ended:
			if running = false; err != nil {
				t.Fatal(err)
			}
		case <-time.After(5 * time.Millisecond):
			peak = max(peak, field(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid), "VmHWM:")<<10)
		}
	}
	t.Logf("%d million px, decoded %d MB, planned %d MB, peak %d MB", h.Width*h.Height/1e6, h.DecodedBytes()>>20, plannedMemory(h)>>20, peak>>20)
	if peak > plannedMemory(h) {
		t.Errorf("took %d MB, planned are %d", peak>>20, plannedMemory(h)>>20)
	}
}
