// Command pithward turns scans of sanded tree cores into dated ring widths. It
// is pure Go: scans are read by pithward-scan, one process each.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"syscall"

	"golang.org/x/term"
)

// version is set when the program is built (see the Makefile).
var version = "dev"

// The exit statuses.
const (
	exitDone   = 0
	exitFailed = 1 // something could not be done; what, was said
	exitCall   = 2 // the call is wrong
)

// deps is what commands need from the world around them.
type deps struct {
	version    string
	out        io.Writer // data
	talk       io.Writer // what is said to a person
	terminal   bool      // talk is a terminal
	worker     string    // path of the worker; "": beside this program
	processors int
	memory     func() int64 // bytes free now; 0: not known
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second Ctrl-C ends the program at once
	os.Exit(run(ctx, os.Args[1:], deps{
		version:    version,
		out:        os.Stdout,
		talk:       os.Stderr,
		terminal:   term.IsTerminal(int(os.Stderr.Fd())),
		worker:     os.Getenv("PITHWARD_SCAN"),
		processors: runtime.GOMAXPROCS(0),
		memory:     freeMemory,
	}))
}

// run executes one command line and returns the exit status. It is the one
// place where errors are printed and become a status.
func run(ctx context.Context, args []string, d deps) int {
	root := newRootCmd(d)
	root.SetArgs(args)
	cmd, err := root.ExecuteContextC(ctx)
	var failed *failure
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &failed):
		if failed.err != nil {
			fmt.Fprintf(d.talk, "pithward: %v\n", failed.err)
		}
		return exitFailed
	default:
		fmt.Fprintf(d.talk, "pithward: %v\nhelp: %s --help\n", err, cmd.CommandPath())
		return exitCall
	}
}

// failure is the error of a call that was right but could not be carried out.
// Any other error means that the call is wrong.
type failure struct{ err error } // nil: said already

func (f *failure) Error() string {
	if f.err == nil {
		return "failed"
	}
	return f.err.Error()
}

func (f *failure) Unwrap() error { return f.err }
