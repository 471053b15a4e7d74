package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/uuid"

	"pithward/measure"
	"pithward/measure/ledger"
)

// twoObservers has Ada and Ben decide on the doubts of a project's first core.
func twoObservers(t testing.TB, project string) {
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
	c := m.Cores[0]
	decide := func(who string, e measure.Event) {
		t.Helper()
		e.UUID, e.Observer, e.Core, e.UTC = uuid.NewString(), who, c.UID, time.Now()
		st, err := l.State(t.Context(), 1, who)
		if err == nil {
			_, err = l.Append(t.Context(), 1, e, st.Revision(c.UID))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	b := c.Boundaries[len(c.Boundaries)/2]
	decide("Ada", measure.Event{Kind: measure.Remove, Target: b.ID, Why: "no latewood <b>here</b>"})
	decide("Ben", measure.Event{Kind: measure.Move, Target: b.ID, PointPx: &measure.Point{b.PointPx[0] + 3, b.PointPx[1] + 3}})
	decide("Ada", measure.Event{Kind: measure.SignOff})
}

// testAudit goes through the audit by keyboard alone, and from a place there to
// the wood and back.
func testAudit(b *browser) {
	twoObservers(b.t, b.project)
	b.keys("q")
	b.do("go to the audit", chromedp.WaitVisible("#filter", chromedp.ByQuery))
	b.until("the audit is there", `location.pathname === "/audit" && document.querySelectorAll("#places li").length > 10 && /of \d+ places/.test(document.getElementById("shown").textContent)`)
	for text, in := range map[string]string{"#title": "Audit of", "#cores": "Ada", "#agreement": "Ada; Ben"} {
		if got := b.text(text); !strings.Contains(got, in) {
			b.t.Errorf("%s does not say %q: %s", text, in, got)
		}
	}
	b.axe()
	first := func() string { return b.text("#places li a") }
	doubt := `[...document.querySelectorAll("#places .doubt")].map(d => parseFloat(d.textContent.slice(6)))`
	var falling bool
	b.eval(doubt+`.every((d, i, all) => i === 0 || d <= all[i - 1])`, &falling)
	if !falling {
		b.t.Error("the places do not stand by doubt")
	}
	// The first filter is a list: its last choice is what was changed.
	b.keys("f")
	b.keys(kb.End)
	b.until("only what was changed is shown", `document.querySelectorAll("#places li").length === 1`)
	b.keys(kb.Escape)
	for _, want := range []string{"Ada: no boundary no latewood <b>here</b>", "Ben: moved ", "The program: a boundary"} {
		if got := strings.Join(strings.Fields(b.text("#places li")), " "); !strings.Contains(got, want) {
			b.t.Errorf("it does not say %q: %s", want, got)
		}
	}
	b.until("three pictures of the wood are drawn", `[...document.querySelectorAll("#places canvas")].filter(c => {
		const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data; const seen = new Set();
		for (let i = 0; i < d.length; i += 404) seen.add(d[i] + "," + d[i + 1] + "," + d[i + 2]);
		return seen.size > 20 }).length === 3`)
	b.shot("audit-changed")
	name := first()
	b.keys("n")
	b.keys(kb.Enter)
	b.do("open the core", chromedp.WaitVisible("#core-view", chromedp.ByQuery))
	b.until("the place is shown on the wood, where Ada has no boundary", `/^This is the place/.test(document.getElementById("selected").textContent)`)
	if title := b.text("#title"); !strings.HasPrefix(name, title) {
		b.t.Errorf("%s leads to %s", name, title)
	}
	b.keys("q") // and back, to this core alone
	b.do("go to the audit", chromedp.WaitVisible("#filter", chromedp.ByQuery))
	b.until("the audit of this core is there", `location.search.includes("core=") && document.querySelectorAll("#places li").length > 3`)
	var others int
	b.eval(fmt.Sprintf(`[...document.querySelectorAll("#places li a")].filter(a => !a.textContent.startsWith(%q)).length`, strings.Fields(name)[0]), &others)
	if others > 0 {
		b.t.Errorf("%d places of other cores are shown", others)
	}
	b.shot("audit")
	b.do("on a narrow screen", emulation.SetDeviceMetricsOverride(700, 900, 1, false))
	var wide bool
	b.eval(`document.documentElement.scrollWidth > innerWidth`, &wide)
	if wide {
		b.t.Error("on a narrow screen the page is wider than the screen")
	}
	b.shot("audit-narrow")
	b.quiet("willReadFrequently") // said of the canvases that are read here
	testReport(b.t, filepath.Dir(b.project), b.project)
}

// testBlindAudit: who measures again, blind, is shown nothing of what was
// decided.
func testBlindAudit(b *browser) {
	b.keys("q")
	b.do("go to the audit", chromedp.WaitVisible("#trouble", chromedp.ByQuery))
	b.until("the audit is refused", `location.pathname === "/audit" && /blind/.test(document.getElementById("trouble").textContent)`)
	if got := b.text("body"); strings.Contains(got, "latewood") {
		b.t.Errorf("it is shown: %s", got)
	}
	b.quiet("403")
}

// The report is one file: a browser that opens it asks for nothing else, says
// nothing on its console, and axe finds no fault; it is not wider than a page.
func testReport(t testing.TB, dir, project string) {
	out := filepath.Join(dir, "audit")
	cmd := exec.Command(built(t), "audit", project, "--out", out)
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(dir, "cache"))
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	pages, err := filepath.Glob(filepath.Join(out, "*.audit.html"))
	if err != nil || len(pages) != 1 {
		t.Fatalf("%v, %v", pages, err)
	}
	alone(t, read(t, pages[0]))
	b := openBlank(t)
	var asked []string
	chromedp.ListenTarget(b.ctx, func(event any) {
		if e, ok := event.(*network.EventRequestWillBeSent); ok && !strings.HasPrefix(e.Request.URL, "data:") {
			b.mu.Lock()
			defer b.mu.Unlock()
			asked = append(asked, e.Request.URL)
		}
	})
	b.do("open the report", network.Enable(), chromedp.Navigate("file://"+pages[0]), chromedp.WaitVisible("main", chromedp.ByQuery))
	if len(asked) != 1 {
		t.Errorf("the report asks for %v", asked)
	}
	b.until("its pictures are there", `document.querySelectorAll("svg image").length >= 3`)
	for _, width := range []int64{1366, 700} {
		b.do("at a width", emulation.SetDeviceMetricsOverride(width, 900, 1, false))
		var wide bool
		b.eval(`document.documentElement.scrollWidth > innerWidth`, &wide)
		if wide {
			t.Errorf("at %d px the report is wider than the screen", width)
		}
		b.shot(fmt.Sprintf("report-%d", width))
	}
	b.do("on paper", emulation.SetEmulatedMedia().WithMedia("print"), emulation.SetDeviceMetricsOverride(700, 980, 1, false)) // A4 less its margins, 96 px an inch
	b.shot("report-print")
	b.quiet()
}
