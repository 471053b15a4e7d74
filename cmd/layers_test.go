// Package cmd holds the programs; here stands only the test of which package
// may import which.
package cmd

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

const (
	gocv   = "gocv.io/x/gocv"
	raster = "pithward/vision/raster" // pixels as plain slices, which all may import
)

// listed is what `go list` says of a package.
type listed struct {
	ImportPath string
	Standard   bool
	Imports    []string
	Deps       []string
	CgoFiles   []string
}

func list(t *testing.T, args ...string) []listed {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Standard,Imports,Deps,CgoFiles"}, args...)...)
	cmd.Dir = ".."
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list %v: %v\n%s", args, err, stderr.String())
	}
	var all []listed
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// TestNoImageCode holds that these never come to hold the image library, nor
// any cgo of their own or of a module.
func TestNoImageCode(t *testing.T) {
	for _, part := range []string{"./measure/...", "./cmd/pithward/...", "./calib", "./vision/header", "./vision/phantom", "./vision/raster"} {
		t.Run(part, func(t *testing.T) {
			for _, p := range list(t, "-deps", part) {
				if p.ImportPath == gocv || !p.Standard && len(p.CgoFiles) > 0 {
					t.Errorf("%s comes to hold %s, which is cgo", part, p.ImportPath)
				}
			}
		})
	}
}

// TestArrows holds the one way that imports run: cmd -> vision -> calib,
// measure; and that the image library is imported by vision alone.
func TestArrows(t *testing.T) {
	never := map[string][]string{
		"pithward/measure":      {"pithward/calib", "pithward/vision", "pithward/cmd"},
		"pithward/calib":        {"pithward/vision", "pithward/cmd"},
		"pithward/vision":       {"pithward/cmd"},
		"pithward/cmd/pithward": {"pithward/calib"},
	}
	for _, p := range list(t, "./...") {
		for part, not := range never {
			if !within(p.ImportPath, part) {
				continue
			}
			for _, dep := range p.Deps {
				if slices.ContainsFunc(not, func(n string) bool { return within(dep, n) }) && dep != raster {
					t.Errorf("%s depends on %s", p.ImportPath, dep)
				}
			}
		}
		if slices.Contains(p.Imports, gocv) && !within(p.ImportPath, "pithward/vision") && !within(p.ImportPath, "pithward/cmd/pithward-scan") {
			t.Errorf("%s imports the image library: only vision and the worker may", p.ImportPath)
		}
	}
}

// within tells whether a package is part, or lies below it.
func within(pkg, part string) bool {
	return pkg == part || strings.HasPrefix(pkg, part+"/")
}
