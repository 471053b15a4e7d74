// Package ui holds the desk's page, as built from src by esbuild. What is built
// is not committed: a program built without it says so.
package ui

import (
	"embed"
	"io/fs"
)

//go:embed all:dist
var built embed.FS

// Page returns the files of the page; without index.html if it was not built.
func Page() fs.FS {
	page, err := fs.Sub(built, "dist")
	if err != nil {
		panic(err) // no such folder: it is embedded above
	}
	return page
}
