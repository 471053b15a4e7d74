package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"pithward/measure/ledger"
)

// logOptions are the flags of log as they were given.
type logOptions struct {
	project  string
	core     string
	observer string
	json     bool
}

// logSchema names the format of log --json.
const logSchema = "pithward/log/1"

func newLogCmd(d deps) *cobra.Command {
	var o logOptions
	cmd := &cobra.Command{
		Use:   "log PROJECT",
		Short: "List who decided what in a project, when and why",
		Long: `List every decision in PROJECT, one a line, oldest first: when, who, the scan,
the core, what, and why. Nothing that was decided is ever removed: what was
undone is listed with its undoing.` +
			exitStatus("listed", "the project cannot be read", "the call is wrong"),
		Example: example(
			"who decided what", "pithward log osmundvale.pithward",
			"for a script, one core", "pithward log osmundvale.pithward --core LK01A --json",
		),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("name one project file, PROJECT")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.project = args[0]
			return done(runLog(cmd.Context(), o, d))
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.core, "core", "", "only what concerns the core with this `ID`")
	f.StringVar(&o.observer, "observer", "", "only what `NAME` decided")
	f.BoolVar(&o.json, "json", false, "as JSON, for scripts")
	return cmd
}

func runLog(ctx context.Context, o logOptions, d deps) error {
	l, err := openProject(ctx, o.project)
	if err != nil {
		return err
	}
	defer l.Close()
	all, err := l.Log(ctx)
	if err != nil {
		return err
	}
	ids, err := coreIDs(ctx, l, all)
	if err != nil {
		return err
	}
	var observers []string
	for _, e := range all {
		observers = append(observers, e.Observer)
	}
	slices.Sort(observers)
	if err := known(o.observer, "--observer", slices.Compact(observers), o.project); err != nil {
		return err
	}
	chosen := []loggedEvent{}
	for _, e := range all {
		one := loggedEvent{e, ids[coreOf{e.Run, e.Core}]}
		if (o.core == "" || o.core == one.ID || o.core == e.Core) && (o.observer == "" || o.observer == e.Observer) {
			chosen = append(chosen, one)
		}
	}
	if o.json {
		enc := json.NewEncoder(d.out)
		enc.SetIndent("", "  ")
		return enc.Encode(map[string]any{"schema": logSchema, "events": chosen})
	}
	for _, e := range chosen {
		if _, err := fmt.Fprintln(d.out, e.words()); err != nil {
			return err
		}
	}
	return nil
}

// loggedEvent is an event with the id that its core has in its reading.
type loggedEvent struct {
	ledger.Logged
	ID string `json:"id"`
}

func (e loggedEvent) words() string {
	parts := []string{e.UTC.Format("2006-01-02 15:04:05"), e.Observer, e.Scan, e.ID, string(e.Kind)}
	if e.Target != "" {
		parts = append(parts, e.Target)
	}
	if e.PointPx != nil {
		parts = append(parts, fmt.Sprintf("at %.1f, %.1f px", e.PointPx[0], e.PointPx[1]))
	}
	if e.Detail != nil && e.Detail.Word != "" {
		parts = append(parts, e.Detail.Word)
	}
	if e.Undoes != "" {
		parts = append(parts, "of "+e.Undoes)
	}
	line := strings.Join(parts, "  ")
	if e.Why != "" {
		line += ": " + strings.Join(strings.Fields(e.Why), " ")
	}
	return line
}

// coreOf names a core within a run.
type coreOf struct {
	run int64
	uid string
}

// coreIDs returns the ids of all cores that events are about, as they were
// read; one that a person made goes by its uid.
func coreIDs(ctx context.Context, l *ledger.Ledger, all []ledger.Logged) (map[coreOf]string, error) {
	ids := map[coreOf]string{}
	read := map[int64]bool{}
	for _, e := range all {
		if !read[e.Run] {
			read[e.Run] = true
			m, err := l.Reading(ctx, e.Run)
			if err != nil {
				return nil, err
			}
			for _, c := range m.Cores {
				ids[coreOf{e.Run, c.UID}] = c.ID
			}
		}
		if key := (coreOf{e.Run, e.Core}); ids[key] == "" {
			ids[key] = e.Core
		}
	}
	return ids, nil
}
