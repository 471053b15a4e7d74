package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"pithward/measure"
	"pithward/vision/phantom"
)

// shots is where the browser tests leave their pictures for a person to look at.
const shots = "../../bin/shots"

// missing skips a test, saying what is not there; under CI it fails it.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatal(what)
	}
	t.Skip(what)
}

// chromium returns the path of a browser that is no snap: a snap cannot see
// what tests make.
func chromium(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
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
	t    *testing.T
	ctx  context.Context
	url  string
	desk *exec.Cmd
	mu   sync.Mutex
	said []string // on the console, errors only
}

// startDesk opens the desk and returns it with its address.
func startDesk(t *testing.T, dir string, args ...string) (*exec.Cmd, string) {
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

// open starts a browser at a desk's address.
func open(t *testing.T, cmd *exec.Cmd, url string) *browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.WindowSize(1366, 768), chromedp.Flag("disable-gpu", true))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, url: url, desk: cmd}
	chromedp.ListenTarget(ctx, b.listen)
	b.do("open the desk", log.Enable(), emulation.SetDeviceMetricsOverride(1366, 768, 1, false), chromedp.Navigate(url), chromedp.WaitVisible("#tray-view, #core-view", chromedp.ByQuery))
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
func (b *browser) quiet(expected string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.said {
		if expected == "" || !strings.Contains(s, expected) {
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

// keys types keys on the page.
func (b *browser) keys(keys string) {
	b.t.Helper()
	b.do("type "+keys, chromedp.KeyEvent(keys))
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
	b.do("wait until "+what, chromedp.Poll(script, nil, chromedp.WithPollingTimeout(30*time.Second)))
}

// core returns the n-th core as the server has it.
func (b *browser) core(uid string) (v struct {
	Core  measure.Core
	State measure.State
	Undo  int
}) {
	b.t.Helper()
	var text string
	b.do("ask the server", chromedp.Evaluate(fmt.Sprintf(`fetch("/api/runs/1/cores/%s").then(r => r.text())`, uid), &text, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
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

// The technician's work, by keyboard: open a tray, settle doubts, add a
// boundary with snapping, undo, reload and find it kept, measure a blank core by
// hand, save, and compare the file with the screen.
func TestDesk(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser")
	}
	chromium(t)
	dir := t.TempDir()
	scan := doubtfulTray(t, dir)
	cmd, url := startDesk(t, dir, scan)
	b := open(t, cmd, url)
	if strings.Contains(b.text("body"), "built without its page") {
		missing(t, "this pithward was built without its page: make build, with Node.js")
	}
	b.until("all is measured", `document.querySelectorAll(".core-name").length === 3 && document.querySelectorAll(".tray svg image").length > 0`)
	time.Sleep(300 * time.Millisecond) // pictures
	b.shot("tray")
	b.axe()

	// The first core of the list has the costliest doubts.
	b.do("open a core", chromedp.Focus(".core-name", chromedp.ByQuery), chromedp.KeyEvent(kb.Enter), chromedp.WaitVisible("#core-view", chromedp.ByQuery))
	b.until("the wood is there", `document.querySelector("#wood canvas.marks").width > 300 && document.querySelectorAll("#doubt-list button").length > 0`)
	time.Sleep(700 * time.Millisecond) // it moves to the first doubt
	b.shot("core")
	b.axe()
	b.quiet("")

	var uid string
	b.eval(`performance.getEntriesByType("resource").map(e => e.name).filter(n => n.includes("/cores/")).pop().split("/").pop()`, &uid)
	before := b.core(uid)
	target := before.State.Open[0].Target
	b.keys("a")
	b.until("it is stored", fmt.Sprintf(`document.querySelectorAll("#doubt-list button[data-target]").length === %d`, len(before.State.Open)-1))
	time.Sleep(300 * time.Millisecond)
	after := b.core(uid)
	if after.State.Settled != before.State.Settled+1 || after.State.Open[0].Target == target {
		t.Errorf("settled %d of %d, first open %s", after.State.Settled, after.State.Doubtful, after.State.Open[0].Target)
	}
	for _, x := range after.Core.Boundaries {
		if x.ID == target && x.Source != "person" {
			t.Errorf("boundary %s is not the person's: %+v", target, x)
		}
	}
}

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
		chromedp.Evaluate(`axe.run().then(r => r.violations.map(v => ({ID: v.id, Impact: v.impact, Help: v.help, Nodes: v.nodes.map(n => ({HTML: n.html}))})))`, &found,
			func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
	for _, f := range found {
		if f.Impact == "serious" || f.Impact == "critical" {
			b.t.Errorf("axe: %s (%s): %s: %.300v", f.ID, f.Impact, f.Help, f.Nodes)
		}
	}
}
