package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// scanEnds are the extensions of scans in a folder, in lower case. What a file
// is, its first bytes tell later.
func scanEnds() []string { return []string{".tif", ".tiff", ".png", ".jpg", ".jpeg"} }

// withFolders returns the scans and, behind them, those of the folders.
func withFolders(scans, folders []string) ([]string, error) {
	all := slices.Clone(scans)
	for _, dir := range folders {
		inside, err := scansIn(dir)
		if err != nil {
			return nil, fmt.Errorf("--folder %w", err)
		}
		if len(inside) == 0 {
			return nil, fmt.Errorf("--folder %s: no scan is in it (a name that ends with %s)", dir, strings.Join(scanEnds(), ", "))
		}
		all = append(all, inside...)
	}
	return all, nil
}

// scansIn lists the scans in a folder, not in its subfolders, by name. Hidden
// files and overlays of earlier runs are none.
func scansIn(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: there is no such folder: check the name", dir)
	case err != nil:
		return nil, fmt.Errorf("%s: cannot be read: %w", dir, reason(err))
	}
	var scans []string
	for _, e := range entries {
		name := e.Name()
		is := slices.Contains(scanEnds(), strings.ToLower(filepath.Ext(name)))
		if is && !e.IsDir() && !strings.HasPrefix(name, ".") && !strings.HasSuffix(name, overlayEnd) {
			scans = append(scans, filepath.Join(dir, name))
		}
	}
	return scans, nil
}
