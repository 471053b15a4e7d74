package draw

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/color"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Every picture is SVG that can be parsed, says its words and numbers, and is
// the same each time.
func TestPictures(t *testing.T) {
	look := Look{Ink: color.NRGBA{9, 63, 96, 255}, Paper: color.NRGBA{246, 243, 236, 255}, Quiet: color.NRGBA{75, 98, 112, 255}}
	var pairs []Pair
	for i := range 40 {
		w := 0.3 + float64(i%13)/10
		pairs = append(pairs, Pair{w, w + float64(i%7-3)/100, i%7 == 3})
	}
	for name, tt := range map[string]struct {
		draw  func() ([]byte, error)
		words []string
	}{
		"bars": {func() ([]byte, error) { return Bars(look, "doubt", []Bar{{"under 0.01", 120}, {"more", 7}}) }, []string{"doubt", "under 0.01", "120"}},
		"shares": {func() ([]byte, error) {
			return Shares(look, "said", "real", []Share{{0.3, 0.4, 0.2, 0.6}, {0.9, 0.95, 0.9, 0.99}})
		}, []string{"said", "0.8"}},
		"differences": {func() ([]byte, error) {
			return Differences(look, "mean", "Ben less Ada", pairs, &Lines{0.001, -0.04, 0.042})
		}, []string{"lower limit -0.040", "Ben less Ada"}},
		"no limits": {func() ([]byte, error) { return Differences(look, "mean", "less", pairs[:1], nil) }, []string{"less"}},
		"against":   {func() ([]byte, error) { return Against(look, "Ada", "Ben", pairs) }, []string{"Ada", "Ben"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := tt.draw()
			if err != nil {
				t.Fatal(err)
			}
			again, _ := tt.draw()
			if !bytes.Equal(got, again) {
				t.Error("drawn again, it differs")
			}
			for dec := xml.NewDecoder(bytes.NewReader(got)); ; {
				if _, err := dec.Token(); errors.Is(err, io.EOF) {
					break
				} else if err != nil {
					t.Fatal(err)
				}
			}
			for _, w := range tt.words {
				if !strings.Contains(string(got), ">"+w) {
					t.Errorf("it does not say %q", w)
				}
			}
			if dir := os.Getenv("PITHWARD_PICTURES"); dir != "" { // for a person to look at
				if err := os.WriteFile(filepath.Join(dir, name+".svg"), got, 0o666); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for name, draw := range map[string]func() ([]byte, error){
		"bars":        func() ([]byte, error) { return Bars(look, "", nil) },
		"shares":      func() ([]byte, error) { return Shares(look, "", "", nil) },
		"differences": func() ([]byte, error) { return Differences(look, "", "", nil, nil) },
		"against":     func() ([]byte, error) { return Against(look, "", "", nil) },
	} {
		if _, err := draw(); err == nil {
			t.Errorf("%s of nothing is drawn", name)
		}
	}
}
