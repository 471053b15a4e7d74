package draw

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"strings"
	"testing"
)

func testLook() Look {
	return Look{Ink: color.NRGBA{9, 63, 96, 255}, Paper: color.NRGBA{246, 243, 236, 255}, Quiet: color.NRGBA{75, 98, 112, 255}}
}

func testRows() []HoldRow {
	return []HoldRow{
		{Name: "RDG01A", FirstYear: 1800, LastYear: 1900, Windows: []HoldWindow{{1800, 1850, 0.99, 1, 0.001}, {1825, 1875, 0.97, 1, 0.01}, {1850, 1900, 0.999, 3, 0}}},
		{Name: "RDG02A", FirstYear: 1780, LastYear: 1890, Windows: []HoldWindow{{1780, 1830, 0.02, -1, 0.95}, {1810, 1850, 0.6, -1, 0.35}, {1840, 1890, 0.99, 1, 0}},
			Marks: []HoldMark{{1832, "-"}}},
		{Name: "RDG03A", FirstYear: 1850, LastYear: 1860},
	}
}

func testSite() Site {
	s := Site{MeanName: "standard chronology", Mean: Line{FirstYear: 1800}}
	for k := range 100 {
		s.Mean.V = append(s.Mean.V, 1+0.3*math.Sin(float64(k)/3))
		s.Half, s.Depth, s.Trees = append(s.Half, 0.1+0.2/float64(1+k)), append(s.Depth, 1+k/20), append(s.Trees, 1+k/30)
	}
	s.Half[0], s.Half[50] = math.NaN(), math.NaN()
	s.Series = []Line{{"RDG01A", 1800, s.Mean.V}, {"RDG02A", 1850, s.Mean.V[50:]}, {"flat", 1800, []float64{1, 1, 1}}, {"gaps", 1810, []float64{1, math.NaN(), 2, 1.5}}}
	return s
}

func pictures(t *testing.T, f Format) map[string][]byte {
	t.Helper()
	hold, err := Hold(f, testLook(), testRows())
	if err != nil {
		t.Fatal(err)
	}
	stack, err := Stack(f, testLook(), testSite())
	if err != nil {
		t.Fatal(err)
	}
	return map[string][]byte{"hold": hold, "stack": stack}
}

func TestPNG(t *testing.T) {
	for name, data := range pictures(t, PNG) {
		img, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		ink, paper := 0, 0
		for y := range img.Bounds().Dy() {
			for x := range img.Bounds().Dx() {
				switch r, g, b, _ := img.At(x, y).RGBA(); {
				case r>>8 < 60 && g>>8 < 110 && b>>8 < 140:
					ink++
				case r>>8 == 246 && g>>8 == 243 && b>>8 == 236:
					paper++
				}
			}
		}
		if ink < 1000 || paper < ink {
			t.Errorf("%s: %d px of ink, %d of paper", name, ink, paper)
		}
		if dir := os.Getenv("PICTURES"); dir != "" {
			if err := os.WriteFile(dir+"/"+name+".png", data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A drawing is well-formed and names every series.
func TestSVG(t *testing.T) {
	for name, data := range pictures(t, SVG) {
		d := xml.NewDecoder(bytes.NewReader(data))
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		for _, word := range map[string][]string{"hold": {"RDG01A", "RDG02A", "RDG03A", "-1", "1800"}, "stack": {"RDG01A", "standard chronology", "series", "1850"}}[name] {
			if !strings.Contains(string(data), ">"+word) {
				t.Errorf("%s does not say %q", name, word)
			}
		}
		if strings.Contains(string(data), "NaN") {
			t.Errorf("%s holds NaN", name)
		}
	}
}

// The same picture is the same bytes.
func TestSame(t *testing.T) {
	for _, f := range []Format{PNG, SVG} {
		a, b := pictures(t, f), pictures(t, f)
		for name := range a {
			if !bytes.Equal(a[name], b[name]) {
				t.Errorf("%s %s differs from itself", f, name)
			}
		}
	}
}

func TestNothingToDraw(t *testing.T) {
	if _, err := Hold(PNG, testLook(), nil); err == nil {
		t.Error("no rows, no error")
	}
	if _, err := Stack(PNG, testLook(), Site{}); err == nil {
		t.Error("no years, no error")
	}
	if _, err := Hold("gif", testLook(), testRows()); err == nil {
		t.Error("a format that is none")
	}
}

func TestManyRowsStayFinite(t *testing.T) {
	rows := make([]HoldRow, 1500)
	for i := range rows {
		rows[i] = testRows()[i%3]
	}
	data, err := Hold(PNG, testLook(), rows)
	if err != nil {
		t.Fatal(err)
	}
	c, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil || c.Height > 12000 {
		t.Errorf("%d px high, %v", c.Height, err)
	}
}

func TestRoundStep(t *testing.T) {
	for span, want := range map[int]int{0: 1, 9: 1, 13: 2, 60: 5, 110: 10, 150: 20, 500: 50, 980: 100, 4000: 500} {
		if got := roundStep(span); got != want {
			t.Errorf("%d years: every %d, want %d", span, got, want)
		}
	}
}
