package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
	"pithward/measure/ledger"
	"pithward/vision/phantom"
)

// patience is how long is waited for what has to come: far longer than it takes on
// a slow and busy machine.
const patience = time.Minute

// shots is where the browser tests leave their pictures for a person to look at.
const shots = "../../bin/shots"

// missing skips a test, saying what is not there; under CI it fails it.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatal(what)
	}
	t.Skip(what)
}

// chromium returns the path of a browser that is no snap: a snap cannot see
// what tests make.
func chromium(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if system, _ := os.ReadFile("/etc/os-release"); err != nil && strings.Contains(string(system), "\nID=ubuntu") {
		t.Skip("on Ubuntu, Chromium is a snap, which cannot be driven here")
	}
	if err != nil {
		missing(t, "no Chromium is installed: apt-get install chromium")
	}
	if real, err := filepath.EvalSymlinks(path); err == nil && strings.Contains(real, "/snap") {
		t.Skip("this Chromium is a snap, which cannot be driven here")
	}
	return path
}

// browser is a page in Chromium on an open desk.
type browser struct {
	t       testing.TB
	ctx     context.Context
	url     string
	desk    *exec.Cmd
	project string
	mu      sync.Mutex
	said    []string // on the console, errors only
}

// startDesk opens the desk and returns it with its address.
func startDesk(t testing.TB, dir string, args ...string) (*exec.Cmd, string) {
	t.Helper()
	cmd := exec.Command(built(t), append([]string{"desk", "--no-browser", "--observer", "Ada"}, args...)...)
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(dir, "cache"))
	talk, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM) // gone already if the test ended it
		_ = cmd.Wait()
	})
	lines := bufio.NewScanner(talk)
	for lines.Scan() {
		if url := regexp.MustCompile(`http://127\.0\.0\.1:\d+/\?token=\w+`).FindString(lines.Text()); url != "" {
			go func() {
				for lines.Scan() {
					t.Log(lines.Text())
				}
			}()
			return cmd, url
		}
	}
	t.Fatal("the desk printed no address")
	return nil, ""
}

// openPage starts a browser at a desk's address.
func openPage(t testing.TB, cmd *exec.Cmd, url string) *browser {
	t.Helper()
	b := openBlank(t)
	b.url, b.desk = url, cmd
	b.do("open the desk", emulation.SetDeviceMetricsOverride(1366, 768, 1, false), chromedp.Navigate(url), chromedp.WaitVisible("#tray-view, #core-view", chromedp.ByQuery))
	return b
}

// openBlank starts a browser without a page.
func openBlank(t testing.TB) *browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.WindowSize(1366, 768), chromedp.Flag("disable-gpu", true))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx, chromedp.WithErrorf(func(string, ...any) {})) // of events it does not know
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 8*time.Minute)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx}
	chromedp.ListenTarget(ctx, b.listen)
	b.do("start the browser", log.Enable())
	return b
}

// listen notes what goes wrong in the page.
func (b *browser) listen(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		b.said = append(b.said, e.ExceptionDetails.Error())
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.APITypeError || e.Type == runtime.APITypeWarning {
			b.said = append(b.said, fmt.Sprintf("%s %s", e.Type, e.Args[0].Value))
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == log.LevelError || e.Entry.Level == log.LevelWarning {
			b.said = append(b.said, e.Entry.Text+" "+e.Entry.URL)
		}
	}
}

// quiet fails if the page said anything on its console but what is expected.
func (b *browser) quiet(expected ...string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.said {
		if !slices.ContainsFunc(expected, func(e string) bool { return strings.Contains(s, e) }) {
			b.t.Errorf("the page's console says: %s", s)
		}
	}
	b.said = nil
}

func (b *browser) do(what string, actions ...chromedp.Action) {
	b.t.Helper()
	if err := chromedp.Run(b.ctx, actions...); err != nil {
		b.shot("failed")
		b.t.Fatalf("%s: %v (console: %v)", what, err, b.said)
	}
}

// shot keeps a picture of the page.
func (b *browser) shot(name string) {
	b.t.Helper()
	var png []byte
	err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot(&png))
	if err == nil {
		err = os.MkdirAll(shots, 0o777)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(shots, name+".png"), png, 0o666)
	}
	if err != nil {
		b.t.Logf("no picture %s: %v", name, err)
	}
}

// keys types keys on the page, as a keyboard does: what a key writes comes with
// its going down, so that a page that has taken the key can hold it back.
func (b *browser) keys(keys string) { b.press(0, keys) }

// shift is the modifier of that key.
const shift = input.ModifierShift

func (b *browser) press(modifiers input.Modifier, keys string) {
	b.t.Helper()
	for _, r := range keys {
		events := kb.Encode(r)
		down, up := events[0], events[len(events)-1]
		down.Type = input.KeyDown
		if len(events) == 3 {
			down.Text, down.UnmodifiedText = events[1].Text, events[1].UnmodifiedText
		}
		down.Modifiers, up.Modifiers = down.Modifiers|modifiers, up.Modifiers|modifiers
		b.do("type "+keys, down, up)
	}
}

// text returns what an element says.
func (b *browser) text(selector string) (s string) {
	b.t.Helper()
	b.do("read "+selector, chromedp.Text(selector, &s, chromedp.ByQuery))
	return s
}

// eval returns what a script gives.
func (b *browser) eval(script string, into any) {
	b.t.Helper()
	b.do("evaluate "+script, chromedp.Evaluate(script, into))
}

// until waits until a script gives true.
func (b *browser) until(what, script string) {
	b.t.Helper()
	b.do("wait until "+what, chromedp.Poll(script, nil, chromedp.WithPollingTimeout(patience)))
}

// core returns the n-th core as the server has it.
func (b *browser) core(uid string) (v struct {
	Core  measure.Core
	State measure.State
	Undo  int
}) {
	b.t.Helper()
	var text string
	b.do("ask the server", chromedp.Evaluate(fmt.Sprintf(`fetch("/api/runs/1/cores/%s").then(r => r.text())`, uid), &text, awaited))
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		b.t.Fatal(err)
	}
	return v
}

// doubtfulTray renders a tray with places to settle.
func doubtfulTray(t *testing.T, dir string) string {
	t.Helper()
	pic, _ := phantom.Render(phantom.RandomTray(5, phantom.Options{Cores: 3, LengthMM: 60}), 5)
	scan := filepath.Join(dir, "tray.tif")
	f, err := os.Create(scan)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Close()); err != nil {
		t.Fatal(err)
	}
	return scan
}

// The desk in a browser. The first of these measures the tray while the page is
// open; the others begin with a copy of the project as it was then.
func TestDesk(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser")
	}
	chromium(t)
	dir := t.TempDir()
	scan := doubtfulTray(t, dir)
	project, fresh := filepath.Join(dir, "tray.pithward"), filepath.Join(dir, "fresh.pithward")
	begin := func(t *testing.T, names ...string) *browser {
		cmd, url := startDesk(t, dir, names...)
		b := openPage(t, cmd, url)
		if strings.Contains(b.text("body"), "built without its page") {
			missing(t, "this pithward was built without its page: make build, with Node.js")
		}
		b.project = names[0]
		b.until("all is measured", `document.querySelectorAll(".core-name").length === 3 && document.querySelectorAll(".tray svg image").length > 0`)
		return b
	}
	t.Run("a tray is measured while the page is open", func(t *testing.T) {
		sheet := filepath.Join(dir, "cores.csv")
		writeFile(t, sheet, "scan,position,note\ntray.tif,1,split on the mount\ntray.tif,2,\ntray.tif,3,\n")
		b := begin(t, project, scan, "--sheet", sheet, "--season-north", "5-8")
		asTold(t, project)
		time.Sleep(300 * time.Millisecond) // pictures
		b.shot("tray")
		b.axe()
		b.quiet()
	})
	if t.Failed() {
		return
	}
	l, err := ledger.Open(t.Context(), project) // so that all of it is in the one file
	if err == nil {
		err = l.Close()
	}
	if err == nil {
		err = os.Rename(project, fresh)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		test func(b *browser)
	}{
		{"settle, add, undo, reload", testSettle},
		{"by hand", testByHand},
		{"keys", testKeys},
		{"lost and back", testComesBack},
		{"two tabs", testTwoTabs},
		{"cores", testCores},
		{"by mouse", testMouse},
		{"radius and new core by keys", testDrawByKeys},
		{"edges in the picture", testEdges},
		{"scale, join, part", testWholeScan},
		{"sizes", testSizes},
		{"a second time, blind", testBlind},
		{"audit", testAudit},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel() // they wait most of the time
			mine := filepath.Join(dir, strings.ReplaceAll(tt.name, " ", "-")+".pithward")
			writeFile(t, mine, read(t, fresh))
			tt.test(begin(t, mine))
		})
	}
}

// The other trees of a project raise a doubt, one key tries what would settle it
// and another takes it back.
func TestDeskInTime(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser")
	}
	chromium(t)
	dir := t.TempDir()
	scan, project := filepath.Join(dir, "tarn.png"), filepath.Join(dir, "tarn.pithward")
	job := measure.Job{Scan: scan, Version: "v1", Settings: measure.Settings{Season: measure.DefaultSeason()}}
	writeFile(t, scan, pngOf(t, workertest.StandPicture(workertest.StandMeasurement(job))))
	m := workertest.StandMeasurement(job) // with the picture's hash
	m.Cores[6].SecondRadius = secondRadius(m.Cores[6], m.Scale)
	l, err := ledger.Open(t.Context(), project)
	if err == nil {
		_, err = l.Store(t.Context(), m, scan, time.Now())
		err = errors.Join(err, l.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	cmd, url := startDesk(t, dir, project)
	b := openPage(t, cmd, url)
	b.until("the tray is there", `document.querySelectorAll(".core-name").length === 7 && document.querySelectorAll(".tray svg image").length > 0`)
	b.takeSecond()
	b.joinApart()
	uid := b.enter(1)
	b.until("the other trees are asked", `!document.getElementById("company").hidden && [...document.querySelectorAll("#doubt-list .change")].length > 0`)
	b.frame()
	before := b.text("#doubt-list")
	if !strings.Contains(before, "Missed ring?") || !strings.Contains(before, "would agree: r 0.") {
		t.Errorf("the doubts are %q", before)
	}
	b.shot("in-time")
	b.axe()
	b.keys("y")
	c, _ := b.settles(uid, 1)
	if k := boundary(c, workertest.StandMissed); k < 0 || c.Boundaries[k].Source != "person" {
		t.Error("the boundary that the trees ask for was not taken")
	}
	b.until("the trees agree", `document.querySelectorAll("#doubt-list .change").length === 0 && document.getElementById("numbers").textContent.includes("r 0.9")`)
	if words := b.text("#selected"); !strings.HasPrefix(words, "Tried: a boundary at") {
		t.Errorf("having tried, the page says %q", words)
	}
	b.frame()
	b.shot("in-time-tried")
	b.keys("u")
	b.settles(uid, 0)
	b.until("the doubt is back", `document.querySelectorAll("#doubt-list .change").length > 0`)
	for _, size := range [][2]int64{{1024, 768}, {1920, 1080}} {
		b.do("another size", emulation.SetDeviceMetricsOverride(size[0], size[1], 1, false))
		b.frame()
		b.keys("0")
		b.still()
		b.shot(fmt.Sprintf("in-time-%d", size[0]))
	}
	b.quiet()
}

func pngOf(t *testing.T, pic image.Image) string {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, pic); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// asTold checks that the scan was read with the flags that the desk was opened with.
func asTold(t *testing.T, project string) {
	t.Helper()
	l, err := ledger.Open(t.Context(), project)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	m, err := l.Reading(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if s := m.Program.Settings; s.Season.NorthFrom != 5 || m.Cores[0].Field == nil || m.Cores[0].Field.Note == "" {
		t.Errorf("read with settings %+v and field data %+v", s, m.Cores[0].Field)
	}
}

// secondRadius is one of two rings, beyond the inner end of a core.
func secondRadius(of measure.Core, scale measure.Scale) *measure.SecondRadius {
	pith := of.PathPx[len(of.PathPx)-1]
	zero, half, length := 0.0, 1.0, 2.0
	c := measure.Core{PathPx: []measure.Point{{pith[0] + 100, pith[1]}, pith}, PathLengthMM: &length}
	for k, at := range []*float64{&zero, &half, &length} {
		x := pith[0] + 100 - *at/0.02
		c.Boundaries = append(c.Boundaries, measure.Boundary{ID: fmt.Sprintf("s%d", k+1), Kind: measure.RingBoundary, AtMM: at, PointPx: measure.Point{x, pith[1]},
			LinePx: []measure.Point{{x, pith[1] - 40}, {x, pith[1] + 40}}, Probability: 0.95, Source: "auto"})
	}
	c.MakeRings(scale, false)
	return &measure.SecondRadius{PathPx: c.PathPx, PathLengthMM: c.PathLengthMM, Boundaries: c.Boundaries, Rings: c.Rings}
}

// takeSecond takes a second radius up as a core of its own, and undoes that.
func (b *browser) takeSecond() {
	b.t.Helper()
	const offered = `[...document.querySelectorAll(".heed button")].find(e => e.textContent.startsWith("Take them up"))`
	b.eval(offered+".click()", nil)
	b.until("it is a core", `document.querySelectorAll(".core-name").length === 8 && [...document.querySelectorAll(".core-name")].some(e => e.textContent === "TARN07A-second")`)
	b.until("it is offered no more", offered+" === undefined")
	b.keys("u")
	b.until("it is offered again", offered+` !== undefined && document.querySelectorAll(".core-name").length === 7`)
}

// joinApart joins two cores that lie in different rows: outlined are the two, not
// what lies between.
func (b *browser) joinApart() {
	b.t.Helper()
	b.eval(`[...document.querySelectorAll(".core-name")].find(e => e.textContent === "TARN05A").click()`, nil)
	b.do("open a core", chromedp.WaitVisible("#core-view", chromedp.ByQuery))
	b.more("Join")
	b.until("it is asked in which", `document.querySelector("#dialog-title").textContent.startsWith("It goes on")`)
	b.eval(`[...document.querySelectorAll(".choices button")].find(e => e.textContent.includes("TARN07A")).click()`, nil)
	b.until("what lies between is asked", `document.querySelector("#dialog-title").textContent.startsWith("Between")`)
	b.keys("1")
	b.until("it is joined", `!document.getElementById("undo").disabled`)
	b.keys("0")
	b.shot("joined-apart")
	b.keys("t")
	b.until("the tray shows its pieces", `document.querySelectorAll(".core-name").length === 6 && [...document.querySelectorAll(".tray text")].some(e => e.textContent === "TARN05A goes on")`)
	var tallest float64
	b.eval(`Math.max(...[...document.querySelectorAll(".tray polygon.outline")].map(e => e.getBBox().height))`, &tallest)
	if tallest > 90 {
		b.t.Errorf("an outline is %.0f px high, cores are 80", tallest)
	}
	b.shot("joined-apart-tray")
	b.eval(`[...document.querySelectorAll(".core-name")].find(e => e.textContent === "TARN05A").click()`, nil)
	b.until("it is open", `!document.getElementById("undo").disabled && !document.getElementById("core-view").hidden`)
	b.keys("u")
	b.until("it is undone", `document.getElementById("undo").disabled`)
	b.keys("t")
	b.until("the tray has all", `document.querySelectorAll(".core-name").length === 7`)
}

// enter opens the n-th core of the list, 1 first, and returns its uid.
func (b *browser) enter(n int) (uid string) {
	b.t.Helper()
	b.eval(fmt.Sprintf(`document.querySelectorAll(".core-name")[%d].focus()`, n-1), nil)
	b.keys(kb.Enter)
	b.do("open a core", chromedp.WaitVisible("#core-view", chromedp.ByQuery))
	b.until("the wood is there", `document.querySelector("#wood canvas.marks").width > 300 && document.activeElement.id === "wood"`)
	b.still()
	b.eval(`document.getElementById("core-view").dataset.core`, &uid)
	return uid
}

// enterWood opens the first core on the tray that was read as this kind of wood:
// the most doubtful core stands first, which another model may change.
func (b *browser) enterWood(wood measure.Wood) (uid string) {
	b.t.Helper()
	for n := 1; n <= 3; n++ {
		uid = b.enter(n)
		if got := b.core(uid).Core.Wood; got != nil && *got == wood {
			return uid
		}
		b.keys("t")
		b.do("see the tray", chromedp.WaitVisible("#tray-view", chromedp.ByQuery))
	}
	b.t.Fatalf("no core was read as %s", wood)
	return uid
}

// settles waits until the server has as many edits of a core as given and the
// page, if it shows the core, shows it so, and returns the core.
func (b *browser) settles(uid string, undo int) (c measure.Core, s measure.State) {
	b.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if v := b.core(uid); v.Undo == undo {
			b.until("the page shows it", fmt.Sprintf(`(c => c.hidden || c.dataset.core !== %q || c.dataset.edits === "%d")(document.getElementById("core-view"))`, uid, undo))
			b.frame()
			return v.Core, v.State
		}
	}
	b.shot("failed")
	b.t.Fatalf("the server has %d edits that can be undone, want %d; the page says %q", b.core(uid).Undo, undo, b.text("#trouble, #selected"))
	return c, s
}

// The technician's work: open a tray, settle a doubt by keyboard, add a
// boundary with snapping, undo, reload and find it kept.
func testSettle(b *browser) {
	t := b.t
	uid := b.enter(1) // with the costliest doubts
	b.shot("core")
	b.axe()
	read := b.core(uid)
	target := read.State.Open[0].Target
	b.keys("a")
	c, s := b.settles(uid, 1)
	if i := boundary(c, target); i < 0 || c.Boundaries[i].Source != "person" || s.Settled != 1 {
		t.Errorf("settled %d of %d; boundary %s is at %d", s.Settled, s.Doubtful, target, i)
	}
	if got, want := b.text("#progress"), fmt.Sprintf("1 of %d doubts settled", s.Doubtful); got != want {
		t.Errorf("the page says %q, want %q", got, want)
	}
	b.keys("u")
	if _, s = b.settles(uid, 0); s.Settled != 0 {
		t.Errorf("undone, %d are settled", s.Settled)
	}
	b.keys("r")
	b.settles(uid, 1)

	// Near a place that was considered and rejected, the pointer snaps to it.
	x, before := loneCandidate(t, c), len(c.Boundaries) // what was accepted may have been a candidate itself
	b.jump(fmt.Sprintf("%.4f mm", *x.AtMM))
	b.still()
	b.keys("i")
	b.pointTo(6)
	if words := b.text("#selected"); !strings.Contains(words, "snaps to evidence") {
		t.Errorf("near a candidate the page says %q", words)
	}
	b.shot("snapping")
	b.click(6)
	c, _ = b.settles(uid, 2)
	found := false
	for _, n := range c.Boundaries {
		found = found || n.Source == "person" && n.ID == x.ID && n.PointPx == x.PointPx
	}
	if !found || len(c.Boundaries) != before+1 {
		t.Errorf("no boundary at the candidate %v among %d", x.PointPx, len(c.Boundaries))
	}
	if got := b.number("Rings"); got != fmt.Sprint(len(c.Rings)) {
		t.Errorf("the page has %s rings, the server %d", got, len(c.Rings))
	}
	b.quiet()

	b.until("where one is, is kept", `document.getElementById("core-view").dataset.kept === "yes"`)
	b.do("reload", chromedp.Reload(), chromedp.WaitVisible("#core-view", chromedp.ByQuery))
	b.until("it opens where one stopped", fmt.Sprintf(`document.title.startsWith(%q)`, c.ID))
	if again, _ := b.settles(uid, 2); len(again.Boundaries) != len(c.Boundaries) {
		t.Errorf("after reloading there are %d boundaries, want %d", len(again.Boundaries), len(c.Boundaries))
	}
	b.keys("?")
	b.do("see the keys", chromedp.WaitVisible("#dialog", chromedp.ByQuery))
	b.shot("keys")
	b.axe()
	b.keys(kb.Escape)
	b.eval(`document.getElementById("dim").click()`, nil)
	b.keys("0")
	b.still()
	b.shot("dim")
	b.axe()
	b.quiet()
}

// A core measured by hand from nothing: the file that is saved says what the
// screen says, and so does the one that export writes.
func testByHand(b *browser) {
	t := b.t
	uid := b.enter(2)
	b.keys("m")
	b.do("set aside", chromedp.WaitVisible("#dialog", chromedp.ByQuery))
	b.keys(kb.Enter)
	c, s := b.settles(uid, 1)
	if len(c.Boundaries) != 0 || !s.Blank {
		t.Fatalf("%d boundaries are left", len(c.Boundaries))
	}
	b.keys("0")
	for n, mm := range []string{"10 mm", "14 mm", "16.5 mm", "20.5 mm"} {
		b.jump(mm)
		b.keys("i")
		b.keys(kb.Enter)
		b.settles(uid, 2+n)
	}
	b.jump("12 mm")
	b.keys("i")
	for range 5 {
		b.keys("p") // outward, from evidence to evidence
	}
	b.keys(kb.Enter)
	c, _ = b.settles(uid, 6)
	if len(c.Rings) != 4 {
		t.Fatalf("%d rings, want 4", len(c.Rings))
	}
	b.keys("0")
	b.still()
	b.shot("by-hand")
	first, mean := c.Boundaries[0], 0.0
	for _, r := range c.Rings {
		mean += *r.WidthMM / 4
	}
	if got, want := b.number("Mean width"), fmt.Sprintf("%.3f mm", mean); got != want || b.number("Rings") != "4" {
		t.Errorf("the page says %s rings of %s, the server 4 of %s", b.number("Rings"), got, want)
	}
	if *first.AtMM >= 10 {
		t.Errorf("the boundary by evidence lies at %v mm, want outward of 10", *first.AtMM)
	}
	var saved string
	b.do("save", chromedp.Evaluate(`fetch("/api/runs/1/export/widths.csv").then(r => r.text())`, &saved, awaited))
	if status, _, talk := user(t, "export", b.project, "--out", filepath.Join(filepath.Dir(b.project), "settled")); status != 0 {
		t.Fatal(talk)
	}
	if exported := read(t, filepath.Join(filepath.Dir(b.project), "settled", "tray.csv")); exported != saved {
		t.Errorf("export writes\n%s\nthe page saves\n%s", exported, saved)
	}
	if n := strings.Count(saved, "\n"+c.ID+","); n != 4 {
		t.Errorf("%d rings of %s are saved, want 4", n, c.ID)
	}
	b.quiet()
}

// A gap, an absent ring, a note, a nudge, a flip: each by its key.
func testKeys(b *browser) {
	t := b.t
	uid := b.enter(1)
	read := b.core(uid).Core
	b.jump("#3")
	b.keys("b")
	c, _ := b.settles(uid, 1)
	if len(c.Absent) != 1 || c.Absent[0].AfterIndex != 3 {
		t.Errorf("absent rings %+v", c.Absent)
	}
	b.press(shift, kb.ArrowLeft)
	c, _ = b.settles(uid, 2)
	i := boundary(c, read.Boundaries[3].ID)
	if d := distancePx(c.Boundaries[i].PointPx, read.Boundaries[3].PointPx); d < 0.9 || d > 1.1 || *c.Boundaries[i].AtMM < *read.Boundaries[3].AtMM {
		t.Errorf("nudged by %.2f px, from %v to %v mm, want a px inward", d, *read.Boundaries[3].AtMM, *c.Boundaries[i].AtMM)
	}
	b.keys("c")
	b.do("note", chromedp.WaitVisible("#dialog", chromedp.ByQuery))
	b.keys("frost\r")
	_, s := b.settles(uid, 3)
	if len(s.Notes) != 1 || s.Notes[0].Text != "frost" {
		t.Errorf("notes %+v", s.Notes)
	}
	b.jump("5 mm")
	b.keys("g")
	b.keys(kb.Enter)
	b.press(shift, kb.ArrowLeft)
	b.keys(kb.Enter)
	b.do("say what it is", chromedp.WaitVisible("#dialog .choices", chromedp.ByQuery))
	b.keys(kb.Enter)
	c, _ = b.settles(uid, 4)
	if n := len(c.Gaps); n != len(read.Gaps)+1 || c.Gaps[0].Kind != measure.Crack {
		t.Errorf("gaps %+v, want a crack beside %+v", c.Gaps, read.Gaps)
	}
	b.shot("edited")
	b.keys("f")
	b.still()
	b.shot("flipped")
	b.keys("s")
	if _, s = b.settles(uid, 5); s.Stage != measure.SignedOff {
		t.Errorf("stage %s", s.Stage)
	}
	b.quiet()
}

// An edit made while the program is away is shown as waiting, and sent when it
// is back.
func testComesBack(b *browser) {
	t := b.t
	uid := b.enter(1)
	if err := b.desk.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	_ = b.desk.Wait() // how it ends is tested elsewhere
	b.keys("a")
	b.do("see that it is lost", chromedp.WaitVisible("#trouble", chromedp.ByQuery))
	if words := b.text("#trouble"); !strings.Contains(words, "1 edit waits here") {
		t.Errorf("the page says %q", words)
	}
	b.shot("lost")
	_, url := startDesk(t, filepath.Dir(b.project), b.project)
	if url != b.url {
		t.Fatalf("the desk came back at %s, was at %s", url, b.url)
	}
	b.settles(uid, 1)
	b.do("see that all is well", chromedp.WaitNotVisible("#trouble", chromedp.ByQuery))
	b.quiet("ERR_CONNECTION_REFUSED", "failed to load")
}

// Two tabs: what one decided on an older state is not stored over the other's.
func testTwoTabs(b *browser) {
	t := b.t
	uid := b.enter(1)
	open := b.core(uid).State.Open
	var status int
	b.do("decide in another tab", chromedp.Evaluate(fmt.Sprintf(`fetch("/api/runs/1/cores/%s/events", {method: "POST", body: JSON.stringify({revision: 0, uuid: crypto.randomUUID(), kind: "remove", target: %q})}).then(r => r.status)`, uid, open[1].Target), &status, awaited))
	if status != 200 {
		t.Fatalf("status %d", status)
	}
	b.keys("a")
	b.do("see that it was refused", chromedp.WaitVisible("#trouble", chromedp.ByQuery))
	if words := b.text("#trouble"); !strings.Contains(words, "changed in another tab") {
		t.Errorf("the page says %q", words)
	}
	if _, s := b.settles(uid, 1); s.Settled != 1 {
		t.Errorf("%d settled, want the other tab's alone", s.Settled)
	}
	b.until("it shows the core as it is now", fmt.Sprintf(`document.querySelectorAll("#doubt-list button[data-target]").length === %d`, len(open)-1))
	b.quiet("409")
}

// A core taken off and brought back, split and undone, its ends changed.
func testCores(b *browser) {
	t := b.t
	uid := b.enter(2)
	read := b.core(uid).Core
	b.more("Take off")
	b.do("see the tray", chromedp.WaitVisible("#tray-view .plain", chromedp.ByQuery))
	b.until("it is gone", `document.querySelectorAll(".core-name").length === 2`)
	b.shot("taken-off")
	b.eval(`[...document.querySelectorAll(".plain")].find(e => e.textContent.startsWith("Bring")).click()`, nil)
	b.until("it is back", `document.querySelectorAll(".core-name").length === 3`)
	if again := b.enter(2); again != uid {
		t.Fatalf("the core that came back is %s, was %s", again, uid)
	}
	b.jump("20 mm")
	b.more("Split")
	c, _ := b.settles(uid, 1)
	if len(c.Boundaries) >= len(read.Boundaries) || math.Abs(*c.PathLengthMM-20) > 0.5 {
		t.Errorf("the outer part is %v mm long with %d boundaries", *c.PathLengthMM, len(c.Boundaries))
	}
	b.keys("u")
	if c, _ = b.settles(uid, 0); len(c.Boundaries) != len(read.Boundaries) {
		t.Errorf("undone, it has %d boundaries, want %d", len(c.Boundaries), len(read.Boundaries))
	}
	b.more("Bark and pith end")
	if c, _ = b.settles(uid, 1); *c.BarkEnd == *read.BarkEnd {
		t.Errorf("bark is still %s", *c.BarkEnd)
	}
	b.quiet()
}

// A core that was not found is drawn on the tray; on a core, a boundary is
// dragged and the radius drawn anew.
func testMouse(b *browser) {
	t := b.t
	var svg [4]float64
	b.eval(`(() => { const r = document.querySelector(".tray svg").getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })()`, &svg)
	b.eval(`[...document.querySelectorAll(".plain")].find(e => e.textContent.startsWith("Add a core")).click()`, nil)
	b.do("draw a radius", chromedp.MouseClickXY(svg[0]+0.2*svg[2], svg[1]+0.95*svg[3]), chromedp.MouseClickXY(svg[0]+0.7*svg[2], svg[1]+0.95*svg[3]))
	b.shot("drawing-a-core")
	b.eval(`document.querySelector('.drawing [data-key="Enter"]').click()`, nil)
	b.do("say its wood", chromedp.WaitVisible("#dialog .choices", chromedp.ByQuery))
	b.keys("2")
	b.until("it is there", `document.querySelectorAll(".core-name").length === 4`)

	uid := b.enter(1)
	read := b.core(uid).Core
	b.jump("#5")
	b.still()
	x, y := b.middle() // where a jump leaves the boundary
	b.do("drag", chromedp.MouseEvent(input.MouseMoved, x, y), chromedp.MouseEvent(input.MousePressed, x, y, chromedp.ButtonLeft), chromedp.MouseEvent(input.MouseMoved, x-4, y, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.MouseMoved, x-12, y, chromedp.ButtonLeft), chromedp.MouseEvent(input.MouseReleased, x-12, y, chromedp.ButtonLeft))
	c, _ := b.settles(uid, 1)
	was := read.Boundaries[5]
	if i := boundary(c, was.ID); i < 0 || c.Boundaries[i].Source != "person" || *c.Boundaries[i].AtMM <= *was.AtMM {
		t.Errorf("boundary %s is at %d, was dragged inward from %v mm", was.ID, i, *was.AtMM)
	}
	b.keys("0")
	b.still()
	b.keys("d")
	mx, my := b.middle()
	b.do("draw the radius from bark to pith", chromedp.MouseClickXY(mx+400, my+12), chromedp.Sleep(500*time.Millisecond), chromedp.MouseClickXY(mx-300, my+12))
	b.shot("redrawing")
	b.keys(kb.Enter)
	c, _ = b.settles(uid, 2)
	if len(c.PathPx) != 4 || len(c.Rings) != len(read.Rings) { // drawn on at both ends
		t.Errorf("the radius has %d places and %d rings, want 4 and %d", len(c.PathPx), len(c.Rings), len(read.Rings))
	}
	b.shot("redrawn")
	b.quiet()
}

// A radius drawn anew and a core added with the keyboard alone; both undone.
func testDrawByKeys(b *browser) {
	t := b.t
	b.keys("i")
	b.until("one draws", `document.activeElement.tagName === "svg"`)
	for range 4 { // down and left, below the ruler
		b.press(shift, kb.ArrowLeft)
		b.press(shift, kb.ArrowDown)
	}
	for range 5 {
		b.press(shift, kb.ArrowDown)
	}
	b.keys(" ")
	for range 5 {
		b.press(shift, kb.ArrowRight)
	}
	b.keys(kb.ArrowUp + " ")
	b.shot("new-core-by-keys")
	b.keys("p" + " " + kb.ArrowUp + " ") // back to the first, taken up, moved, put down
	b.keys(kb.Enter)
	b.do("say its wood", chromedp.WaitVisible("#dialog .choices", chromedp.ByQuery))
	b.keys("1")
	b.until("it is there", `document.querySelectorAll(".core-name").length === 4`)
	b.axe()
	b.keys("u")
	b.until("it is undone", `document.querySelectorAll(".core-name").length === 3`)
	b.keys("r")
	b.until("it is redone", `document.querySelectorAll(".core-name").length === 4`)
	b.keys("u")
	b.until("it is undone again", `document.querySelectorAll(".core-name").length === 3`)

	uid := b.enter(1)
	read := b.core(uid).Core
	b.keys("0")
	b.still()
	b.keys("d")
	b.keys(strings.Repeat(kb.ArrowDown, 3)) // at the first doubt, the bark's end
	for range 3 {
		b.press(shift, kb.ArrowLeft)
	}
	b.keys(" ")
	for range 12 {
		b.press(shift, kb.ArrowLeft)
	}
	b.keys(" ")
	b.keys(strings.Repeat(kb.ArrowUp, 4) + " x") // a third place, taken away again
	b.keys("p ")                                 // the second taken up,
	b.keys(kb.ArrowDown + " ")                   // moved and put down
	b.shot("redrawing-by-keys")
	b.keys(kb.Enter)
	c, _ := b.settles(uid, 1)
	if len(c.PathPx) != 4 || len(c.Rings) < len(read.Rings)-1 {
		t.Errorf("the radius has %d places and %d rings, want 4 and %d", len(c.PathPx), len(c.Rings), len(read.Rings))
	}
	b.keys("u")
	if c, _ = b.settles(uid, 0); len(c.PathPx) != len(read.PathPx) {
		t.Errorf("undone, the radius has %d places, want %d", len(c.PathPx), len(read.PathPx))
	}
	b.quiet()
}

// On a core that nothing was read on, a new boundary snaps to an edge in the
// picture, shown before it is taken: the same edge that the reading found.
func testEdges(b *browser) {
	t := b.t
	read := b.core(b.enterWood(measure.RingPorous)).Core
	b.keys("t")
	b.do("see the tray", chromedp.WaitVisible("#tray-view", chromedp.ByQuery))
	var status int
	path, err := json.Marshal(read.PathPx)
	if err != nil {
		t.Fatal(err)
	}
	b.do("add a core on the same wood", chromedp.Evaluate(fmt.Sprintf(`fetch("/api/runs/1/events", {method: "POST", body: JSON.stringify({revision: 0, uuid: crypto.randomUUID(), kind: "add-core", detail: {path_px: %s, word: "ring-porous"}})}).then(r => r.status)`, path), &status, awaited))
	if status != 200 {
		t.Fatalf("status %d", status)
	}
	b.keys("t")
	b.until("the tray has it", `document.querySelectorAll(".core-name").length === 4`)
	uid := b.enter(4)
	if c := b.core(uid).Core; len(c.Candidates)+len(c.Boundaries) != 0 {
		t.Fatalf("%d candidates and %d boundaries on a new core", len(c.Candidates), len(c.Boundaries))
	}
	sum := 0.0
	const places = 6
	for n := range places {
		want := read.Boundaries[10+5*n]
		b.jump(fmt.Sprintf("%.3f mm", *want.AtMM+0.2))
		if n == 0 {
			b.keys("++") // on its way: what follows counts from where it will be
		}
		b.keys("i")
		b.until("the picture has been looked at", `document.getElementById("selected").textContent.includes("edge in the picture")`)
		if n == 0 {
			b.shot("snapping-to-the-picture")
		}
		b.keys(kb.Enter)
		c, _ := b.settles(uid, 1+n)
		off := math.Inf(1)
		for _, x := range c.Boundaries {
			off = min(off, math.Abs(*x.AtMM-*want.AtMM))
		}
		sum += off
	}
	// Pointing was 0.2 mm off. The edge of a row of vessels is round: in the mean
	// over the breadth it lies a fraction of a vessel (0.3 mm) from its tangent.
	if mean := sum / places; mean > 0.1 {
		t.Errorf("edges lie %.3f mm from the boundaries that were read, on average", mean)
	}
	b.keys("i") // on a boundary that is there: the next edge is further in
	b.keys("n")
	b.until("the next edge is shown", `document.getElementById("selected").textContent.includes("edge in the picture")`)
	b.keys(kb.Enter)
	b.settles(uid, places+1)
	b.quiet()
}

// A scale corrected, cores joined, a part measured: each by the page, and
// undone there.
func testWholeScan(b *browser) {
	t := b.t
	uid := b.enter(2)
	read := b.core(uid).Core
	b.keys("t")
	b.do("see the tray", chromedp.WaitVisible("#tray-view .plain", chromedp.ByQuery))
	var dpi float64
	b.do("read the scale", chromedp.Evaluate(fmt.Sprintf(`fetch("/api/runs/1/cores/%s").then(r => r.json()).then(v => 25.4 / v.mm_per_px[0])`, uid), &dpi, awaited))
	b.keys("k")
	b.do("ask for it", chromedp.WaitVisible("#dialog input", chromedp.ByQuery))
	b.keys(fmt.Sprintf("%.4f", dpi/2) + "\r")
	b.until("it can be undone", `document.querySelector('[data-key="u"]') !== null`)
	b.shot("scale-corrected")
	if c := b.core(uid).Core; math.Abs(*c.PathLengthMM / *read.PathLengthMM - 2) > 0.01 {
		t.Errorf("at half the resolution the core is %.2f mm long, was %.2f", *c.PathLengthMM, *read.PathLengthMM)
	}
	b.keys("u")
	b.until("it is undone", `document.querySelector('[data-key="u"]') === null && document.querySelector('[data-key="r"]') !== null`)
	if c := b.core(uid).Core; *c.PathLengthMM != *read.PathLengthMM {
		t.Errorf("undone, the core is %v mm long, was %v", *c.PathLengthMM, *read.PathLengthMM)
	}

	if again := b.enter(2); again != uid {
		t.Fatalf("opened %s, want %s", again, uid)
	}
	for range 3 {
		b.keys("-")
	}
	b.keys("0")
	b.jump("20 mm")
	b.keys("+++")
	b.more("Measure only")
	c, _ := b.settles(uid, 1)
	if n := len(c.Rings); n == 0 || n >= len(read.Rings) {
		t.Errorf("a part has %d rings, the whole %d", n, len(read.Rings))
	}
	b.shot("part")
	b.keys("u")
	if c, _ = b.settles(uid, 0); len(c.Rings) != len(read.Rings) {
		t.Errorf("undone, it has %d rings, want %d", len(c.Rings), len(read.Rings))
	}
	b.more("Join")
	b.do("ask in which", chromedp.WaitVisible("#dialog .choices", chromedp.ByQuery))
	b.keys("1")
	b.until("what lies between is asked", `document.querySelector("#dialog-title").textContent.startsWith("Between")`)
	b.keys("1")
	if c, _ = b.settles(uid, 1); len(c.Rings) <= len(read.Rings) || len(c.Gaps) == len(read.Gaps) {
		t.Errorf("joined, it has %d rings and %d gaps, had %d and %d", len(c.Rings), len(c.Gaps), len(read.Rings), len(read.Gaps))
	}
	b.shot("joined")
	b.keys("u")
	if c, _ = b.settles(uid, 0); len(c.Rings) != len(read.Rings) {
		t.Errorf("undone, it has %d rings, want %d", len(c.Rings), len(read.Rings))
	}
	b.quiet()
}

// Measured a second time, a core shows nothing of what the same observer decided
// the first time, and the first time's decisions stay.
func testBlind(b *browser) {
	t := b.t
	uid := b.enter(1)
	b.keys("a")
	b.settles(uid, 1)
	_ = b.desk.Process.Signal(syscall.SIGTERM)
	_ = b.desk.Wait() // how it ends is tested elsewhere
	cmd, url := startDesk(t, filepath.Dir(b.project), b.project, "--again")
	again := openPage(t, cmd, url)
	again.until("the tray is there", `document.querySelectorAll(".core-name").length === 3`)
	if who := again.text("#who"); who != "Ada, again" {
		t.Errorf("the page is open for %q", who)
	}
	if c := again.core(uid); c.Undo != 0 || c.State.Settled != 0 || c.State.Stage != measure.Untouched {
		t.Errorf("the second time begins with %d edits, %d settled, %s", c.Undo, c.State.Settled, c.State.Stage)
	}
	again.enter(1)
	again.keys("x")
	again.settles(uid, 1)
	l, err := ledger.Open(t.Context(), b.project)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	events, err := l.Log(t.Context())
	if err != nil || len(events) != 2 || events[0].Observer == events[1].Observer {
		t.Errorf("log %+v, %v", events, err)
	}
	again.quiet()
	testBlindAudit(again)
}

// On a laptop, a projector and a wide screen nothing is cut off.
func testSizes(b *browser) {
	b.enter(1)
	for _, size := range []struct {
		name          string
		width, height int64
	}{{"projector", 1024, 768}, {"wide", 1920, 1080}, {"laptop", 1366, 768}} {
		b.do("take another screen", emulation.SetDeviceMetricsOverride(size.width, size.height, 1, false))
		for _, view := range []string{"core", "tray"} {
			if view == "tray" {
				b.keys("t")
				b.do("see the tray", chromedp.WaitVisible("#tray-view .core-name", chromedp.ByQuery))
			}
			b.still()
			time.Sleep(300 * time.Millisecond) // pictures
			b.shot(size.name + "-" + view)
			var beyond []string
			b.eval(`[...document.querySelectorAll("button, p, dd, th, #wood, #widths")].filter(e => e.offsetParent && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.textContent || e.id)`, &beyond)
			if len(beyond) > 0 {
				b.t.Errorf("%s, %s: beyond the screen's edge: %q", size.name, view, beyond)
			}
		}
		b.axe()
		b.enter(1)
		b.keys("?")
		b.do("see the keys", chromedp.WaitVisible("#dialog", chromedp.ByQuery))
		b.shot(size.name + "-keys")
		b.keys(kb.Escape)
	}
	b.quiet()
}

// more picks from the menu of what is decided seldom.
func (b *browser) more(what string) {
	b.t.Helper()
	b.keys(",")
	b.do("see the menu", chromedp.WaitVisible("#dialog .choices", chromedp.ByQuery))
	b.eval(fmt.Sprintf(`[...document.querySelectorAll(".choices button")].find(e => e.textContent.includes(%q)).click()`, what), nil)
}

func boundary(c measure.Core, id string) int {
	for i, b := range c.Boundaries {
		if b.ID == id {
			return i
		}
	}
	return -1
}

func distancePx(a, b measure.Point) float64 { return math.Hypot(a[0]-b[0], a[1]-b[1]) }

// loneCandidate returns a rejected candidate well away from every boundary and
// every other candidate.
func loneCandidate(t testing.TB, c measure.Core) measure.Candidate {
	t.Helper()
	var best measure.Candidate
	room := 0.0
	for _, x := range c.Candidates {
		near := math.Inf(1)
		for _, b := range c.Boundaries {
			near = min(near, distancePx(b.PointPx, x.PointPx))
		}
		for _, y := range c.Candidates {
			if y.ID != x.ID {
				near = min(near, distancePx(y.PointPx, x.PointPx))
			}
		}
		if near > room {
			best, room = x, near
		}
	}
	if room < 4 {
		t.Fatalf("no candidate stands alone: the loneliest is %.1f px from its neighbour", room)
	}
	return best
}

// jump goes to a year, ring or place by the keyboard.
func (b *browser) jump(to string) {
	b.t.Helper()
	b.keys("j")
	b.do("ask where to", chromedp.WaitVisible("#dialog input", chromedp.ByQuery))
	b.keys(to + "\r")
	b.until("the page has been told", `document.getElementById("dialog").dataset.answered === "yes"`)
}

// frame waits until the page has drawn once more.
func (b *browser) frame() {
	b.t.Helper()
	var drawn bool
	b.do("draw", chromedp.Evaluate(`new Promise(done => requestAnimationFrame(() => setTimeout(() => done(true))))`, &drawn, awaited))
}

// still waits until the wood has come to rest.
func (b *browser) still() {
	b.t.Helper()
	b.until("the wood is at rest", `!document.getElementById("wood").dataset.moves`)
	b.frame()
}

// pointTo moves the pointer so many px to the right of the wood's middle.
func (b *browser) pointTo(dx float64) {
	b.t.Helper()
	x, y := b.middle()
	b.do("point", chromedp.MouseEvent(input.MouseMoved, x+dx, y))
	b.frame()
}

func (b *browser) click(dx float64) {
	b.t.Helper()
	x, y := b.middle()
	b.do("click", chromedp.MouseClickXY(x+dx, y))
}

func (b *browser) middle() (x, y float64) {
	b.t.Helper()
	var at [2]float64
	b.eval(`(() => { const r = document.getElementById("wood").getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`, &at)
	return at[0], at[1]
}

// number returns one of the core's numbers as the page has it.
func (b *browser) number(name string) (s string) {
	b.t.Helper()
	b.eval(fmt.Sprintf(`[...document.querySelectorAll("#numbers div")].find(d => d.firstChild.textContent === %q).lastChild.textContent`, name), &s)
	return s
}

func awaited(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }

// axe holds the page to the rules of axe-core; nothing serious may be found.
func (b *browser) axe() {
	b.t.Helper()
	script, err := os.ReadFile("desk/ui/node_modules/axe-core/axe.min.js")
	if err != nil {
		missing(b.t, "axe-core is not there: npm ci in cmd/pithward/desk/ui")
	}
	var found []struct {
		ID, Impact, Help string
		Nodes            []struct{ HTML string }
	}
	b.do("check with axe", chromedp.Evaluate(string(script)+"; undefined", nil),
		chromedp.Evaluate(`axe.run().then(r => r.violations.map(v => ({ID: v.id, Impact: v.impact, Help: v.help, Nodes: v.nodes.map(n => ({HTML: n.html}))})))`, &found, awaited))
	for _, f := range found {
		if f.Impact == "serious" || f.Impact == "critical" {
			b.t.Errorf("axe: %s (%s): %s: %.300v", f.ID, f.Impact, f.Help, f.Nodes)
		}
	}
}
