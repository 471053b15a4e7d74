package desk

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"pithward/cmd/pithward/worker"
	"pithward/measure"
)

// Tiles keeps the pyramids of scans in a folder, each under its scan's hash,
// and takes the longest unused away when they grow too large together.
type Tiles struct {
	Dir   string
	Limit int64 // bytes; 0: DefaultTilesLimit
}

// DefaultTilesLimit is how much room tiles may take: chosen, some 150 trays.
const DefaultTilesLimit = 4 << 30

const tilesDone = "scan.dzi" // written last

var hash = regexp.MustCompile(`^[0-9a-f]{2,64}$`)

// Have tells whether the tiles of a scan are there, whole.
func (t *Tiles) Have(sha string) bool {
	if t == nil || !hash.MatchString(sha) {
		return false
	}
	_, err := os.Stat(filepath.Join(t.Dir, sha, tilesDone))
	return err == nil
}

// Stage makes a folder for a scan's tiles to be written into; put has them
// take their place, and drop takes the folder away if that was not done.
func (t *Tiles) Stage(sha string) (dir string, put func() error, drop func(), err error) {
	if !hash.MatchString(sha) {
		return "", nil, nil, fmt.Errorf("%.70q is no hash of a scan", sha)
	}
	if err := os.MkdirAll(t.Dir, 0o700); err != nil {
		return "", nil, nil, fmt.Errorf("no tiles can be kept: %w", err)
	}
	if dir, err = os.MkdirTemp(t.Dir, "making-*"); err != nil {
		return "", nil, nil, fmt.Errorf("no tiles can be kept: %w", err)
	}
	put = func() error {
		t.makeRoom()
		final := filepath.Join(t.Dir, sha)
		if err := os.RemoveAll(final); err != nil {
			return err
		}
		return os.Rename(dir, final)
	}
	return dir, put, func() { _ = os.RemoveAll(dir) }, nil
}

// makeRoom takes the longest unused pyramids away until the rest keeps within
// nine tenths of the limit, and what a killed program left half made.
func (t *Tiles) makeRoom() {
	limit := t.Limit
	if limit == 0 {
		limit = DefaultTilesLimit
	}
	entries, err := os.ReadDir(t.Dir)
	if err != nil {
		return
	}
	type kept struct {
		path string
		size int64
		used time.Time
	}
	var all []kept
	var sum int64
	for _, e := range entries {
		path := filepath.Join(t.Dir, e.Name())
		info, err := e.Info()
		if err != nil || !e.IsDir() {
			continue
		}
		if strings.HasPrefix(e.Name(), "making-") && time.Since(info.ModTime()) > 24*time.Hour {
			_ = os.RemoveAll(path)
			continue
		}
		if hash.MatchString(e.Name()) {
			size := sizeOf(path)
			all, sum = append(all, kept{path, size, info.ModTime()}), sum+size
		}
	}
	slices.SortFunc(all, func(a, b kept) int { return a.used.Compare(b.used) })
	for _, k := range all {
		if sum <= limit/10*9 {
			return
		}
		_ = os.RemoveAll(k.path)
		sum -= k.size
	}
}

func sizeOf(dir string) (sum int64) {
	_ = filepath.WalkDir(dir, func(_ string, e os.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			if info, err := e.Info(); err == nil {
				sum += info.Size()
			}
		}
		return nil
	})
	return sum
}

var tilePath = regexp.MustCompile(`^scan(\.dzi|_files/[0-9]{1,2}/[0-9]{1,4}_[0-9]{1,4}\.jpg)$`)

// tile serves one file of a pyramid.
func (d *Desk) tile(w http.ResponseWriter, r *http.Request) {
	sha, path := r.PathValue("sha"), r.PathValue("path")
	if d.Tiles == nil || !hash.MatchString(sha) || !tilePath.MatchString(path) {
		fail(w, http.StatusNotFound, "unknown", "there is no such tile")
		return
	}
	root, err := os.OpenRoot(filepath.Join(d.Tiles.Dir, sha))
	if err != nil {
		fail(w, http.StatusNotFound, "unknown", "there are no tiles of this scan")
		return
	}
	defer root.Close()
	f, err := root.Open(filepath.FromSlash(path))
	if err != nil {
		fail(w, http.StatusNotFound, "unknown", "there is no such tile")
		return
	}
	defer f.Close()
	if path == tilesDone {
		now := d.Now()
		_ = os.Chtimes(filepath.Join(d.Tiles.Dir, sha), now, now) // used now; if not noted, it goes a little earlier
		w.Header().Set("Content-Type", "application/xml")
	} else {
		w.Header().Set("Content-Type", "image/jpeg")
	}
	w.Header().Set("Cache-Control", "private, max-age=86400") // named by the scan's hash: never another
	http.ServeContent(w, r, "", time.Time{}, f)
}

// work is what goes on beside the page: measuring, and cutting tiles.
type work struct {
	mu      sync.Mutex
	scans   []ScanView           // not measured yet
	cutting map[string][2]string // stage and error by hash
}

func newWork() *work { return &work{cutting: map[string][2]string{}} }

func (k *work) waiting() []ScanView {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.scans)
}

func (k *work) tiles(sha string) (stage, fault string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	s := k.cutting[sha]
	return s[0], s[1]
}

func (k *work) say(sha, stage, fault string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.cutting[sha] = [2]string{stage, fault}
}

// set changes the entry of a scan that is not measured yet; nil takes it off.
func (k *work) set(file string, v *ScanView) {
	k.mu.Lock()
	defer k.mu.Unlock()
	i := slices.IndexFunc(k.scans, func(s ScanView) bool { return s.File == file })
	switch {
	case v == nil && i >= 0:
		k.scans = slices.Delete(slices.Clone(k.scans), i, i+1)
	case v == nil:
	case i >= 0:
		k.scans[i] = *v
	default:
		k.scans = append(k.scans, *v)
	}
}

// Measure measures scans that the project does not hold yet and cuts the tiles
// that are missing, one after another, while the page is open. It returns when
// all is done or ctx ends; what went wrong is shown on the page.
func (d *Desk) Measure(ctx context.Context, w worker.Worker, job measure.Job, paths []string, sheet *measure.Sheet) {
	views := map[string]ScanView{}
	for _, p := range paths {
		views[p] = ScanView{File: filepath.Base(p), Status: "waiting", Warnings: []string{}, Lost: []string{}, Cores: []CoreLine{}, Deleted: []Deleted{}}
		v := views[p]
		d.work.set(v.File, &v)
	}
	for _, p := range paths {
		v := views[p]
		v.Status = "measuring"
		job.Scan, job.Fields = p, nil
		var warnings []string
		if sheet != nil {
			job.Fields, warnings = sheet.ForScan(p)
		}
		got, err := w.Measure(ctx, job, func(m measure.Message) {
			v.Stage, v.Done, v.Of = m.Stage, m.Done, m.Of
			now := v
			d.work.set(v.File, &now)
		})
		if err == nil {
			got.Warnings = append(warnings, got.Warnings...)
			got.FillLists()
			err = measure.Validate(got)
		}
		if err == nil {
			_, err = d.Ledger.Store(ctx, got, p, d.Now())
		}
		if err != nil {
			v.Status, v.Error = "failed", err.Error()
			d.work.set(v.File, &v)
			continue
		}
		d.work.set(v.File, nil)
	}
	d.cutAll(ctx, w)
}

// cutAll cuts the tiles of all scans of the project that have none.
func (d *Desk) cutAll(ctx context.Context, w worker.Worker) {
	scans, err := d.Ledger.Scans(ctx)
	if err != nil {
		d.Log.Error("ledger", "err", err)
		return
	}
	for _, s := range scans {
		if !d.Tiles.Have(s.SHA256) && ctx.Err() == nil {
			d.work.say(s.SHA256, "reading the scan", "")
			fault := ""
			if err := d.Tiles.Make(ctx, w, s.SHA256, s.Path, func(stage string) { d.work.say(s.SHA256, stage, "") }); err != nil {
				fault = err.Error()
			}
			d.work.say(s.SHA256, "", fault)
		}
	}
}

// Make cuts the tiles of a scan whose file lies at path, and tells what it is
// at.
func (t *Tiles) Make(ctx context.Context, w worker.Worker, sha, path string, tell func(stage string)) error {
	dir, put, drop, err := t.Stage(sha)
	if err != nil {
		return err
	}
	defer drop()
	switch now, err := measure.HashFile(path); {
	case err != nil:
		return fmt.Errorf("%s: the scan cannot be read: put it back to see its wood", path)
	case now != sha:
		return fmt.Errorf("%s: is another picture than the one that was measured: put that one back, or measure this one", path)
	}
	err = w.Look(ctx, measure.Job{Scan: path, Tiles: dir}, func(m measure.Message) { tell(m.Stage) })
	if err != nil {
		return err
	}
	return put()
}

// Description is the path of the description of a scan's tiles.
func (t *Tiles) Description(sha string) string { return filepath.Join(t.Dir, sha, tilesDone) }
