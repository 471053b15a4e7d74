package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"sync"
)

// A class edits all at once, and a disk takes its time to make sure of each
// transaction. Changes that wait at the same time are therefore written in one
// transaction, each between savepoints, so that one that is refused takes no other
// with it. Nobody is answered before the transaction is on disk.

// togetherMost is how many changes one transaction takes: chosen, so that the first
// of them does not wait long for the last.
const togetherMost = 16

// change is a change that waits to be written.
type change struct {
	ctx  context.Context
	do   func(context.Context, *sql.Tx) error
	done chan error
}

// group holds the changes that wait; whoever has the turn writes them.
type group struct {
	mu    sync.Mutex
	queue []*change
	turn  chan struct{} // holds one while somebody writes
}

func (g *group) add(c *change) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.queue = append(g.queue, c)
}

func (g *group) take() []*change {
	g.mu.Lock()
	defer g.mu.Unlock()
	n := min(len(g.queue), togetherMost)
	batch := slices.Clone(g.queue[:n])
	g.queue = g.queue[n:]
	return batch
}

// together runs do in a transaction that others may share, and returns when it is on
// disk, or do was refused. do must be free to run twice. It is not broken off when
// ctx ends: that would take the others' changes along.
func (l *Ledger) together(ctx context.Context, do func(context.Context, *sql.Tx) error) error {
	c := &change{context.WithoutCancel(ctx), do, make(chan error, 1)}
	l.group.add(c)
	for {
		select {
		case err := <-c.done:
			return err
		case l.group.turn <- struct{}{}:
			l.writeAll(l.group.take())
			<-l.group.turn
		}
	}
}

func (l *Ledger) writeAll(batch []*change) {
	answers := make([]error, len(batch))
	if len(batch) < 2 || l.writeAsOne(batch, answers) != nil {
		for i, c := range batch { // what fails as one may be one's alone
			answers[i] = l.inside(c.ctx, func(tx *sql.Tx) error { return c.try(tx) })
		}
	}
	for i, c := range batch {
		c.done <- answers[i]
	}
}

// writeAsOne writes all in one transaction. An error means that none of them is
// written; what was refused stands in answers.
func (l *Ledger) writeAsOne(batch []*change, answers []error) error {
	tx, err := l.write.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // without effect once committed
	for i, c := range batch {
		if _, err := tx.ExecContext(c.ctx, "SAVEPOINT one"); err != nil {
			return err
		}
		end := "RELEASE one"
		if answers[i] = c.try(tx); answers[i] != nil {
			if !isAnswer(answers[i]) {
				return answers[i]
			}
			end = "ROLLBACK TO one; RELEASE one"
		}
		if _, err := tx.ExecContext(c.ctx, end); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// try runs the change; a fault of our own becomes an error, so that nobody waits in
// vain.
func (c *change) try(tx *sql.Tx) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("a fault in the program: %v", fault)
		}
	}()
	return c.do(c.ctx, tx)
}

// isAnswer tells whether an error is what a caller is to be told, not a failure of
// the disk or the file.
func isAnswer(err error) bool {
	return slices.ContainsFunc([]error{ErrStale, ErrVoid, ErrNone, ErrEvent, ErrCode, ErrShut, ErrEarly, ErrFull, ErrTaken, ErrName, ErrTooMany},
		func(answer error) bool { return errors.Is(err, answer) })
}
