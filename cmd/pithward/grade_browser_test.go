package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The pages of a graded class, in a browser, from their folder: nothing serious for
// those who use a screen reader, nothing on the console, links that lead somewhere,
// and no page wider than the window.
func TestGradePagesInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser")
	}
	chromium(t)
	dir := t.TempDir()
	if status, _, talk := user(t, "demo", "--class", dir); status != 0 {
		t.Fatal(talk)
	}
	in := func(names ...string) (out []string) {
		for _, n := range names {
			out = append(out, filepath.Join(dir, n))
		}
		return out
	}
	pages := filepath.Join(dir, "pages")
	args := append([]string{"grade"}, in("key.json", "bevis.json", "corin.json", "dunstan.json", "fenn.csv", "ivo.csv", "jocosa.rwl", "merek.rwl")...)
	if status, _, talk := user(t, append(args, "--out", pages)...); status != 1 { // merek's is empty
		t.Fatal(talk)
	}
	b := openBlank(t)
	for _, name := range []string{"class", "bevis", "corin", "dunstan", "fenn", "ivo", "jocosa", "merek"} {
		b.do(name, chromedp.Navigate("file://"+filepath.Join(pages, name+".html")), chromedp.WaitVisible(".sheet", chromedp.ByQuery))
		b.look("grade-" + name)
		var links []string
		b.eval(`[...document.querySelectorAll("a")].map(a => decodeURIComponent(new URL(a.href).pathname))`, &links)
		for _, l := range links {
			if _, err := os.Stat(l); err != nil || !strings.HasPrefix(l, pages) {
				t.Errorf("%s: the link to %s leads nowhere", name, l)
			}
		}
		if wood := b.is(`document.querySelector(".place image") !== null`); wood != (name == "bevis" || name == "corin" || name == "dunstan" || name == "ivo") {
			t.Errorf("%s: wood is shown: %v", name, wood)
		}
	}
	b.quiet()
}

// is tells whether something holds on the page.
func (b *browser) is(script string) (yes bool) {
	b.t.Helper()
	b.eval(script, &yes)
	return yes
}

// look holds a page to axe, and keeps pictures of it on a laptop and a projector.
func (b *browser) look(name string) {
	b.t.Helper()
	for i, size := range [][2]int64{{1366, 768}, {1920, 1080}} {
		projector(b, size[0], size[1])
		if i == 0 {
			b.axe()
		}
		if b.is(`document.documentElement.scrollWidth > window.innerWidth`) {
			b.t.Errorf("%s is wider than a window of %d px", name, size[0])
		}
		b.shot(fmt.Sprintf("%s-%d", name, size[0]))
	}
}
