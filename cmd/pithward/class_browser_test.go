package main

import (
	"bufio"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"pithward/cmd/pithward/pages"
	"pithward/measure"
	"pithward/measure/grade"
)

// serveClass serves a project's exercises and returns the addresses of the
// students' and the assistant's page, and what was said before them.
func serveClass(t testing.TB, dir, project string, args ...string) (cmd *exec.Cmd, students, assistant, said string) {
	t.Helper()
	cmd = exec.Command(built(t), append([]string{"class", "serve", "--no-browser", project}, args...)...)
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
		said += lines.Text() + "\n"
		url := regexp.MustCompile(`https?://\S+`).FindString(lines.Text())
		switch {
		case strings.Contains(url, "token="):
			assistant = url
			return cmd, students, assistant, said
		case url != "":
			students = url
		}
	}
	t.Fatalf("the class printed no addresses: %s", said)
	return
}

// newClass measures a tray into a project, and makes an exercise of its first core;
// it returns the project and the code.
func newClass(t testing.TB, dir, scan string) (project, code string) {
	t.Helper()
	project = filepath.Join(dir, "class.pithward")
	if status, _, talk := user(t, "measure", scan, "--project", project, "--out", filepath.Join(dir, "out")); status != 0 {
		t.Fatal(talk)
	}
	core := measure.Stem(scan) + "-1"
	status, out, talk := user(t, "class", "new", "--project", project, "--core", core, "--name", "Pine, third week", "--seats", "60")
	code = regexp.MustCompile(`[A-Z0-9]{3}-[A-Z0-9]{3}-[A-Z0-9]{3}`).FindString(out)
	if status != 0 || code == "" || !strings.Contains(talk, "nobody has settled") {
		t.Fatalf("status %d: %s %s", status, out, talk)
	}
	return project, code
}

// openAt starts a browser at an address and waits until something is there.
func openAt(t testing.TB, cmd *exec.Cmd, url, something string) *browser {
	t.Helper()
	b := openBlank(t)
	b.url, b.desk = url, cmd
	b.do("open "+url, emulation.SetDeviceMetricsOverride(1366, 768, 1, false), chromedp.Navigate(url), chromedp.WaitVisible(something, chromedp.ByQuery))
	return b
}

// projector is the size of a common one, at which the assistant shows the code.
func projector(b *browser, w, h int64) {
	b.do("another size", emulation.SetDeviceMetricsOverride(w, h, 1, false))
	time.Sleep(400 * time.Millisecond) // it comes to rest
}

// A student joins, measures by keyboard and hands in; the assistant watches, closes,
// grades and releases; the student sees what became of it.
func TestClassInBrowsers(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser")
	}
	chromium(t)
	dir := t.TempDir()
	project, code := newClass(t, dir, doubtfulTray(t, dir))
	cmd, students, assistant, _ := serveClass(t, dir, project)
	as := openAt(t, cmd, assistant, "#lessons .lesson")
	as.axe()

	s := openAt(t, cmd, students, "#join-view")
	if strings.Contains(s.text("body"), "built without its page") {
		missing(t, "this pithward was built without its page: make build, with Node.js")
	}
	s.shot("class-join")
	s.axe()
	s.keys("Ada <i>Markup</i>\t" + strings.ToLower(code) + "\r")
	s.until("the wood is there", `!document.getElementById("core-view").hidden && document.querySelector("#wood canvas") !== null`)
	s.until("its tiles are cut", `fetch("/api/me").then(r => r.json()).then(m => m.tiles !== "")`)
	s.do("again", chromedp.Reload(), chromedp.WaitVisible("#core-view", chromedp.ByQuery))
	time.Sleep(time.Second) // pictures
	s.shot("class-blank")
	s.axe()
	var v struct {
		Run  int64
		Core string
	}
	var text string
	s.do("who am I", chromedp.Evaluate(`fetch("/api/me").then(r => r.text())`, &text, awaited))
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatal(err)
	}
	had := len(s.core(v.Core).Core.Boundaries)
	s.keys("i")
	for range 8 {
		for range 5 {
			s.press(shift, kb.ArrowLeft) // arrow left: towards the pith
		}
		s.keys("\r")
	}
	s.until("eight are stored", `fetch("`+"/api/runs/1/cores/"+v.Core+`").then(r => r.json()).then(v => v.core.boundaries.length >= `+jsonText(had+7)+`)`)
	s.shot("class-measuring")
	s.press(0, kb.Escape)
	s.keys("u")
	s.keys("s")
	s.do("hand in", chromedp.WaitVisible("#dialog[open]", chromedp.ByQuery))
	s.axe()
	s.keys("\r")
	s.until("it is handed in", `document.getElementById("progress").textContent.startsWith("handed in")`)
	s.axe()

	as.until("the assistant sees it", `document.querySelector("tbody tr") !== null && document.querySelector("tbody tr").textContent.includes("yes")`)
	as.shot("class-assistant")
	if name := as.text("tbody th"); name != "Ada <i>Markup</i>" {
		t.Errorf("the name is shown as %q", name)
	}
	projector(as, 1024, 768)
	as.shot("class-assistant-1024")
	projector(as, 1920, 1080)
	as.shot("class-assistant-1920")
	as.do("close", chromedp.Click(`[data-at="close-1"]`, chromedp.ByQuery), chromedp.WaitVisible("#dialog[open]", chromedp.ByQuery))
	as.keys("\r")
	as.until("it is closed", `!document.querySelector('[data-at="grade-1"]').disabled`)
	as.do("grade", chromedp.Click(`[data-at="grade-1"]`, chromedp.ByQuery))
	as.until("it is graded", `!document.querySelector('[data-at="release-1"]').disabled`)
	as.do("release", chromedp.Click(`[data-at="release-1"]`, chromedp.ByQuery), chromedp.WaitVisible("#dialog[open]", chromedp.ByQuery))
	as.keys("\r")
	as.until("it is released", `document.querySelector(".lesson").textContent.includes("feedback released")`)
	as.axe()
	as.keys("h")
	as.until("names are hidden", `document.querySelector("tbody th").firstChild.textContent === "student-01"`)
	as.shot("class-graded")
	as.quiet()

	s.until("the feedback is there", `document.querySelector(".mark") !== null`)
	s.keys("n")
	time.Sleep(time.Second) // pictures
	s.shot("class-feedback")
	s.axe()
	projector(s, 1920, 1080)
	s.shot("class-feedback-1920")
	projector(s, 1024, 768)
	s.shot("class-feedback-1024")
	s.eval(`performance.clearResourceTimings()`, nil)
	s.until("the page has asked anew", `performance.getEntriesByType("resource").filter(e => e.name.endsWith("/api/me")).length > 1`)
	s.frame() // what one looks at stays
	if words := s.text("#selected"); !strings.Contains(words, "is missing") {
		t.Errorf("the fault that was looked at is gone: %q", words)
	}
	s.quiet()
	s.feedbackPages(students + "feedback/")
	as.classPages()

	status, out, talk := user(t, "class", "grade", project, "--anonymous", "--json")
	var report grade.Report
	if err := json.Unmarshal([]byte(out), &report); status != 0 || err != nil || len(report.Students) != 1 || report.Students[0].Name != "student-01" {
		t.Fatalf("%d %v %s %s", status, err, out, talk)
	}
	s.do("back to the class", chromedp.Navigate(students), chromedp.WaitVisible(".mark", chromedp.ByQuery))
	if shown := s.text(".mark"); !strings.HasPrefix(shown, pages.Decimal(report.Students[0].Mark, 1)) {
		t.Errorf("the page says %q, grading %g", shown, report.Students[0].Mark)
	}
	if status, out, _ := user(t, "class", "remove-student", project, "1", "1"); status != 0 || !strings.Contains(out, "removed: Ada <i>Markup</i>, the session, 10 edits, the result") {
		t.Errorf("%d %s", status, out)
	}
	s.until("the student is out", `!document.getElementById("join-view").hidden`)
}

// feedbackPages looks at a student's own page, its picture and the skeleton plot.
func (b *browser) feedbackPages(at string) {
	b.t.Helper()
	for _, href := range []string{"/feedback/page.html", "/feedback/page.png", "/feedback/skeleton.png"} {
		if !b.is(`document.querySelector('#side a[href="` + href + `"]') !== null`) {
			b.t.Errorf("the feedback does not lead to %s", href)
		}
	}
	b.do("the page", chromedp.Navigate(at+"page.html"), chromedp.WaitVisible(".sheet", chromedp.ByQuery))
	if !b.is(`document.querySelector(".place image") !== null`) {
		b.t.Error("the page shows no wood")
	}
	b.look("class-page")
	for _, name := range []string{"page", "skeleton"} {
		b.do(name, chromedp.Navigate(at+name+".png"), chromedp.WaitVisible("img", chromedp.ByQuery))
		if !b.is(`document.querySelector("img").naturalWidth > 1000`) {
			b.t.Errorf("%s.png is no picture", name)
		}
		b.shot("class-" + name + "-png")
	}
	b.quiet("favicon")
}

// classPages looks at the assistant's page of the class, and at a student's from there.
func (b *browser) classPages() {
	b.t.Helper()
	b.until("the list leads there", `document.querySelector('.pages a[href="/exercises/1/class.html?anonymous=1"]') !== null && document.querySelector("tbody td a") !== null`)
	at, _, _ := strings.Cut(b.url, "?")
	b.do("the class", chromedp.Navigate(at+"exercises/1/class.html?anonymous=1"), chromedp.WaitVisible(".sheet", chromedp.ByQuery))
	if words := b.text("tbody th"); words != "student-01" {
		b.t.Errorf("with names hidden the class page says %q", words)
	}
	b.look("class-class")
	b.do("the student", chromedp.Click("tbody th a", chromedp.ByQuery), chromedp.WaitVisible(".place", chromedp.ByQuery))
	if words := b.text("h1"); words != "student-01" {
		b.t.Errorf("with names hidden the student's page is of %q", words)
	}
	b.quiet("favicon")
}

func jsonText(v any) string {
	b, _ := json.Marshal(v) // of a number
	return string(b)
}
