package main

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"path/filepath"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"pithward/cmd/pithward/desk"
	"pithward/cmd/pithward/worker"
	"pithward/measure"
	"pithward/measure/ledger"
)

// classServeOptions are the flags of class serve as they were given.
type classServeOptions struct {
	project   string
	listen    string
	address   string
	rubric    string
	noBrowser bool
}

func newClassServeCmd(d deps) *cobra.Command {
	var o classServeOptions
	cmd := &cobra.Command{
		Use:   "serve PROJECT",
		Short: "Serve a project's exercises to students",
		Long: `Serve the exercises of PROJECT until Ctrl-C: to students one page, on which they
join with a name and the exercise's code and measure; to the assistant another,
at a printed address on this machine only, to watch, close, grade and release.

Without --listen the students' page too is served on this machine only. With
--listen it can be reached by every machine that reaches this one. It has no
encryption of its own: who can listen on the network can read names and cookies.
In a network that is not yours alone, put a TLS proxy in front, let it reach
pithward on 127.0.0.1, and name what students open with --address https://…;
cookies are then only sent encrypted. The proxy must pass the Host on.` +
			exitStatus("ended by Ctrl-C", "the project cannot be used, or the page not be served", "the call is wrong"),
		Example: example(
			"try it on this machine", "pithward class serve osmundvale.pithward",
			"to the class room's own network", "pithward class serve osmundvale.pithward --listen 0.0.0.0:8642",
			"behind a TLS proxy", "pithward class serve osmundvale.pithward --listen 127.0.0.1:8642 --address https://rings.osmundvale.example",
		),
		Args:              projectAndMaybe(0, ""),
		ValidArgsFunction: projectFiles,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.project = args[0]
			return runClassServe(cmd.Context(), o, d)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.listen, "listen", "127.0.0.1:0", "serve students on `HOST:PORT`; 0.0.0.0 or [::] is every network of this machine")
	f.StringVar(&o.address, "address", "", "the `URL` that students open, if that is a proxy's")
	f.StringVar(&o.rubric, "rubric", "", "what faults cost, a JSON `FILE`; see pithward grade --print-rubric")
	f.BoolVar(&o.noBrowser, "no-browser", false, "do not open the assistant's page; open the printed address yourself")
	return cmd
}

// where reads the address that students open; nil if it is where the page listens.
func (o classServeOptions) where() (*url.URL, error) {
	if o.address == "" {
		return nil, nil
	}
	u, err := url.Parse(o.address)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.User != nil {
		return nil, fmt.Errorf("--address %s: want https:// and a name, as https://rings.osmundvale.example, and no path", o.address)
	}
	u.Path = "/"
	return u, nil
}

func runClassServe(ctx context.Context, o classServeOptions, d deps) error {
	address, err := o.where()
	if err != nil {
		return err
	}
	if _, _, err := net.SplitHostPort(o.listen); err != nil {
		return fmt.Errorf("--listen %s: want HOST:PORT, as 0.0.0.0:8642", o.listen)
	}
	rubric, err := readRubric(o.rubric)
	if err != nil {
		return err
	}
	path, err := worker.Find(d.worker)
	if err != nil {
		return &failure{err}
	}
	l, err := openProject(ctx, o.project)
	if err != nil {
		return &failure{err}
	}
	defer l.Close()
	students, err := net.Listen("tcp", o.listen)
	if err != nil {
		return &failure{fmt.Errorf("--listen %s: the page cannot be served: %w", o.listen, err)}
	}
	defer students.Close()
	own, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return &failure{fmt.Errorf("the assistant's page cannot be served: %w", err)}
	}
	tiles := &desk.Tiles{Dir: filepath.Join(cacheDir(o.project), "tiles")}
	class := desk.NewClass(desk.ClassOptions{Ledger: l, Tiles: tiles, Rubric: rubric, Address: address}, students.Addr().String())
	assistant := desk.NewAssistant(class, own.Addr().String())
	sayClass(ctx, l, class, students.Addr(), assistant.URL(), d)
	if !o.noBrowser {
		openBrowser(d, assistant.URL())
	}
	var group errgroup.Group
	group.Go(func() error { return class.Serve(ctx, students) })
	group.Go(func() error { return assistant.Serve(ctx, own) })
	group.Go(func() error { // the wood of scans that no desk has shown yet
		desk.New(desk.Options{Ledger: l, Tiles: tiles, Version: d.version}, "").Measure(ctx, worker.Worker{Path: path}, measure.Job{Version: d.version}, nil, nil)
		return nil
	})
	if err := group.Wait(); err != nil {
		return &failure{fmt.Errorf("the class is not served any more: %w", err)}
	}
	return nil
}

// sayClass says where the pages are, and what listening on a network means.
func sayClass(ctx context.Context, l *ledger.Ledger, class *desk.Class, at net.Addr, assistant string, d deps) {
	all, err := l.Exercises(ctx)
	if err != nil || len(all) == 0 {
		fmt.Fprintf(d.talk, "pithward: warning: the project has no exercise yet: make one with pithward class new --project %s\n", l.Path())
	}
	fmt.Fprintf(d.talk, "students open\n  %s\n", class.URL())
	for _, x := range all {
		fmt.Fprintf(d.talk, "  and join %s with %s\n", x.Name, desk.ShowCode(x.Code))
	}
	if tcp, ok := at.(*net.TCPAddr); ok && !tcp.IP.IsLoopback() {
		fmt.Fprintf(d.talk, "Every machine that reaches %s can open the students' page, and it is not encrypted:\nwho listens on that network can read names and cookies. Put a TLS proxy in front where\nthe network is not yours alone (pithward class serve --help).\n", at)
	}
	fmt.Fprintf(d.talk, "you, on this machine only, watch, close, grade and release at\n  %s\nuntil Ctrl-C\n", assistant)
}
