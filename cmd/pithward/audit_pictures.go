package main

import (
	"bytes"
	"context"
	"fmt"
	"image/jpeg"
	"math"
	"path/filepath"
	"slices"
	"time"

	"pithward/cmd/pithward/desk"
	"pithward/cmd/pithward/report"
	"pithward/cmd/pithward/worker"
	"pithward/measure/audit"
	"pithward/measure/ledger"
	"pithward/vision/crop"
	"pithward/vision/overlay/look"
)

// The wood that a picture shows: chosen, so that some rings lie on either side.
const (
	pictureMM     = 4.2 // along the radius
	pictureHighMM = 2.1
	picturePx     = 200 // along the radius where there is no scale
	mostPx        = 700 // of a picture, whatever the scale says
	pictureJPEG   = 88  // quality: chosen, some 10 kB at 1200 dpi
)

// cutLimit is how long cutting the tiles of one scan may take: chosen, as for
// measuring it.
const cutLimit = 15 * time.Minute

// pictures cuts pictures of places out of the scans of a project, from the
// tiles that the desk keeps, which are made where they are missing.
type pictures struct {
	scans  []audit.Scan
	paths  map[int64]string // of the scans' files, by run
	tiles  *desk.Tiles
	worker worker.Worker
	talk   *talk
	open   map[int64]*crop.Pyramid // nil: it cannot be opened
	faults []string
}

func newPictures(ctx context.Context, l *ledger.Ledger, project string, scans []audit.Scan, d deps) (*pictures, error) {
	all, err := l.Scans(ctx)
	if err != nil {
		return nil, err
	}
	p := &pictures{scans: scans, paths: map[int64]string{}, tiles: &desk.Tiles{Dir: filepath.Join(cacheDir(project), "tiles")}, open: map[int64]*crop.Pyramid{}}
	p.talk = newTalk(d, 1)
	p.worker = worker.Worker{Path: d.worker, TimeLimit: cutLimit}
	for _, s := range all {
		p.paths[s.Run] = s.Path
	}
	return p, nil
}

// of pictures places. One whose scan cannot be read comes without its wood.
func (p *pictures) of(ctx context.Context, places []audit.Place) []report.Wood {
	defer p.talk.Close()
	var out []report.Wood
	for _, place := range places {
		out = append(out, p.picture(ctx, place))
	}
	return out
}

func (p *pictures) picture(ctx context.Context, place audit.Place) report.Wood {
	w := report.Wood{Place: place, W: picturePx, H: picturePx / 2}
	i := slices.IndexFunc(p.scans, func(s audit.Scan) bool { return s.Run == place.Run })
	if i >= 0 && p.scans[i].Reading.Scale.MMPerPx != nil {
		s := p.scans[i].Reading.Scale.MMPerPx
		w.MM = math.Sqrt(s[0] * s[1])
		w.W, w.H = min(mostPx, int(pictureMM/w.MM)), min(mostPx/2, int(pictureHighMM/w.MM))
	}
	w.Around = audit.Around(p.scans, place, float64(w.W)/2)
	pyramid := p.pyramid(ctx, place.Run)
	if pyramid == nil {
		return w
	}
	img, err := pyramid.Cut(place.PointPx[0], place.PointPx[1], 180-w.Around.InwardDeg, w.W, w.H, look.Paper.NRGBA())
	var b bytes.Buffer
	if err == nil {
		err = jpeg.Encode(&b, img, &jpeg.Options{Quality: pictureJPEG})
	}
	if err != nil {
		p.open[place.Run] = nil
		p.faults = append(p.faults, fmt.Sprintf("%s: its wood cannot be shown: %v", place.Scan, err))
		return w
	}
	w.JPEG = b.Bytes()
	return w
}

// pyramid opens the tiles of a scan, once; nil if that cannot be done, which is
// noted.
func (p *pictures) pyramid(ctx context.Context, run int64) *crop.Pyramid {
	if pyramid, tried := p.open[run]; tried {
		return pyramid
	}
	p.open[run] = nil
	for _, s := range p.scans {
		if s.Run != run {
			continue
		}
		pyramid, err := p.make(ctx, s)
		if err != nil {
			p.faults = append(p.faults, fmt.Sprintf("%s: its wood cannot be shown: %v", s.Reading.Scan.File, err))
		}
		p.open[run] = pyramid
	}
	return p.open[run]
}

func (p *pictures) make(ctx context.Context, s audit.Scan) (*crop.Pyramid, error) {
	sha, file := s.Reading.Scan.SHA256, s.Reading.Scan.File
	if !p.tiles.Have(sha) {
		w := p.worker
		path, err := worker.Find(w.Path)
		if err != nil {
			return nil, err
		}
		w.Path = path
		tell := func(stage string) { p.talk.move(file, 0, file+": "+stage) }
		if err := p.tiles.Make(ctx, w, sha, p.paths[s.Run], tell); err != nil {
			return nil, err
		}
	}
	return crop.Open(p.tiles.Description(sha))
}
