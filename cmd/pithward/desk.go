package main

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"pithward/cmd/pithward/desk"
	"pithward/cmd/pithward/worker"
	"pithward/measure"
	"pithward/measure/audit"
	"pithward/measure/ledger"
)

// deskOptions are the flags of desk as they were given.
type deskOptions struct {
	readingOptions
	names     []string
	project   string
	observer  string
	against   []string
	treeChars int
	again     bool
	port      int
	noBrowser bool
}

func newDeskCmd(d deps) *cobra.Command {
	var o deskOptions
	cmd := &cobra.Command{
		Use:   "desk [PROJECT or SCAN…]",
		Short: "See and settle boundaries in a browser",
		Long: `Open a page in the browser on which the cores of a project are seen and their
doubtful boundaries settled. PROJECT (*.pithward) is made if it is not there;
each SCAN that it does not hold yet is measured while the page is open. With
SCANs alone the project is the first one's name with .pithward, beside it.

The page is served on this machine only and needs nothing from the network; it
is open until Ctrl-C. Every edit is stored as it is made, with who, when and why;
the automatic reading is never changed. Press ? on the page for its keys.` +
			exitStatus("ended by Ctrl-C", "the project cannot be used, or the page not be served", "the call is wrong"),
		Example: example(
			"settle a tray", "pithward desk tray.tif",
			"with ids and dates from a core sheet, the scale given", "pithward desk tray.tif --sheet cores.csv --dpi 1200",
			"go on where you stopped", "pithward desk tray.pithward",
			"see each core beside a dated site and be told of rings it probably lacks", "pithward desk tray.pithward --against ridge.rwl",
			"measure a second time, blind to the first", "pithward desk tray.pithward --again",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 && o.project == "" {
				return errors.New("name a PROJECT, or the SCANs to measure")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.names = args
			if err := o.noteScale(cmd); err != nil {
				return err
			}
			return runDesk(cmd.Context(), o, d)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.project, "project", "", "the project `FILE`, where SCANs do not tell it")
	f.StringVar(&o.observer, "observer", observerName(), "`NAME` of who is deciding")
	f.StringArrayVar(&o.against, "against", nil, "archive `FILE` of dated series to see the cores beside, with the project's own; may be given again")
	f.IntVar(&o.treeChars, "tree-chars", 0, "the first `N` characters of an id name the tree, where nothing else does")
	f.BoolVar(&o.again, "again", false, "measure a second time, without seeing what the same observer decided before")
	f.IntVar(&o.port, "port", 0, "serve on port `N` (default: any free one)")
	f.BoolVar(&o.noBrowser, "no-browser", false, "do not open a browser; open the printed address yourself")
	o.flags(cmd)
	if err := cmd.MarkFlagFilename("against"); err != nil {
		panic(err) // no such flag: a slip in this package, seen by every test
	}
	return cmd
}

// split tells the project and the scans among the names given.
func (o deskOptions) split() (project string, scans []string, err error) {
	project = o.project
	for _, n := range o.names {
		if !strings.HasSuffix(n, ledger.Ending) {
			scans = append(scans, n)
			continue
		}
		if project != "" && project != n {
			return "", nil, fmt.Errorf("%s and %s are both projects: open one at a time", project, n)
		}
		project = n
	}
	if project == "" {
		project = filepath.Join(filepath.Dir(scans[0]), measure.Stem(scans[0])+ledger.Ending)
	}
	for _, s := range scans {
		if err := readableScan(s); err != nil {
			return "", nil, fmt.Errorf("%s: %w", s, err)
		}
	}
	if _, err := os.Stat(project); len(scans) == 0 && errors.Is(err, fs.ErrNotExist) {
		return "", nil, fmt.Errorf("%s: there is no such project: look at the name, or name scans to begin one with", project)
	}
	return project, scans, nil
}

func runDesk(ctx context.Context, o deskOptions, d deps) error {
	project, scans, err := o.split()
	if err != nil {
		return err
	}
	settings, err := o.settings()
	if err != nil {
		return err
	}
	scanners, err := o.knownScanners()
	if err != nil {
		return err
	}
	sheet, err := openSheet(o.sheet)
	if err != nil {
		return err
	}
	against, readAll := readCollections(o.against, d.talk)
	if !readAll {
		return &failure{errors.New("--against: not every file could be read: mend or leave out what is named above")}
	}
	path, err := worker.Find(d.worker)
	if err != nil {
		return &failure{err}
	}
	l, err := ledger.Open(ctx, project)
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	missing, err := notMeasured(ctx, l, scans)
	if err != nil {
		return &failure{err}
	}
	if sheet != nil {
		for _, w := range sheet.Messages() {
			fmt.Fprintln(d.talk, "pithward: warning: "+w)
		}
	}
	observer := o.observer
	if o.again {
		observer += audit.AgainEnding
	}
	address := addressOf(project, observer)
	listener, err := address.listen(o.port)
	if err != nil {
		return &failure{fmt.Errorf("--port %d: the page cannot be served: %w", o.port, err)}
	}
	page := desk.New(desk.Options{Ledger: l, Observer: observer, Version: d.version, Tiles: &desk.Tiles{Dir: filepath.Join(cacheDir(project), "tiles")}, Token: address.Token,
		Against: seriesOf(against), TreeChars: o.treeChars}, listener.Addr().String())
	fmt.Fprintf(d.talk, "the desk of %s is open for %s at\n  %s\nuntil Ctrl-C\n", project, observer, page.URL())
	if !o.noBrowser {
		openBrowser(d, page.URL())
	}
	var group errgroup.Group
	group.Go(func() error { return page.Serve(ctx, listener) })
	group.Go(func() error {
		job := measure.Job{Settings: settings, Scanners: scanners, Version: d.version}
		page.Measure(ctx, worker.Worker{Path: path, TimeLimit: o.timeLimit}, job, missing, sheet)
		return nil
	})
	if err := group.Wait(); err != nil {
		return &failure{fmt.Errorf("the page is not served any more: %w", err)}
	}
	return nil
}

// notMeasured returns the scans that a project does not hold, as absolute paths.
func notMeasured(ctx context.Context, l *ledger.Ledger, scans []string) ([]string, error) {
	have, err := l.Scans(ctx)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, s := range have {
		known[s.Path] = true
	}
	var missing []string
	for _, s := range scans {
		abs, err := filepath.Abs(s)
		if err != nil {
			return nil, err
		}
		if !known[abs] {
			known[abs] = true
			missing = append(missing, abs)
		}
	}
	return missing, nil
}

// cacheDir is where is kept what can be made again: the user's cache, or a
// folder beside the project where the system names none.
func cacheDir(project string) string {
	cache, err := os.UserCacheDir()
	if err != nil {
		return project + "-cache"
	}
	return filepath.Join(cache, "pithward")
}

// address is where the desk of a project was last, so that pages that are still
// open find it again when it is opened anew.
type address struct {
	file  string
	Port  int    `json:"port"`
	Token string `json:"token"`
}

// addressOf reads the address of an observer's desk of a project; a new one if
// there is none. A page that was opened for one observer never reaches the desk
// of another, so that nothing is stored in the wrong name. It is kept where only
// this user can read it.
func addressOf(project, observer string) *address {
	path, err := realPath(project)
	if err != nil {
		path = project
	}
	a := &address{file: filepath.Join(cacheDir(project), "desks", fmt.Sprintf("%x.json", sha256.Sum256([]byte(path+"\n"+observer))))}
	if text, err := os.ReadFile(a.file); err != nil || json.Unmarshal(text, a) != nil || len(a.Token) < 20 {
		a.Port, a.Token = 0, rand.Text()
	}
	return a
}

// listen listens on the port asked for; if none is, on that of the last time,
// or else on any, and keeps the address for the next time.
func (a *address) listen(port int) (net.Listener, error) {
	on := func(port int) (net.Listener, error) { return net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port)) }
	var l net.Listener
	var err error
	if port != 0 {
		l, err = on(port)
	} else if l, err = on(a.Port); err != nil {
		l, err = on(0)
	}
	if err != nil {
		return nil, err
	}
	if tcp, ok := l.Addr().(*net.TCPAddr); ok {
		a.Port = tcp.Port
	}
	a.keep()
	return l, nil
}

// keep stores the address. If it cannot, pages that are open now will not find
// the desk the next time, and nothing else is lost.
func (a *address) keep() {
	text, err := json.Marshal(a)
	if err == nil && os.MkdirAll(filepath.Dir(a.file), 0o700) == nil {
		_ = os.WriteFile(a.file, text, 0o600)
	}
}

// openBrowser opens an address in the user's browser: the program that BROWSER
// names, else what the system opens addresses with.
func openBrowser(d deps, url string) {
	for _, program := range []string{os.Getenv("BROWSER"), "xdg-open", "open"} {
		if path, err := exec.LookPath(program); program != "" && err == nil {
			cmd := exec.Command(path, url)
			if cmd.Start() == nil {
				go func() { _ = cmd.Wait() }() // how it ends is its own affair
				return
			}
		}
	}
	fmt.Fprintln(d.talk, "no browser was found: open the address yourself")
}
