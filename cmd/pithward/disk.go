package main

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"syscall"
)

// errNoRoomLeft is the error of scans that were not begun, since another's
// results had found no room in the same folder.
var errNoRoomLeft = errors.New("not measured: the disk is full")

// fullDisks remembers in which folders no more results find room, so that one
// message does for all scans.
type fullDisks struct {
	mu   sync.Mutex
	dirs map[string]bool
}

func (f *fullDisks) has(dir string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.dirs[dir]
}

// explain returns err as it is to be told: one message if the disk of the
// task's folder is full, the first time; errNoRoomLeft from then on.
func (f *fullDisks) explain(err error, t task) error {
	if !noRoom(err) {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.dirs[t.dir] {
		return errNoRoomLeft
	}
	if f.dirs == nil {
		f.dirs = map[string]bool{}
	}
	f.dirs[t.dir] = true
	return fmt.Errorf("%s: the disk is full, so its results are not written: free some space, or give another folder with --out; --resume then goes on from here", t.show)
}

// noRoom tells whether an error means a full disk, or a used-up share of it. A
// worker's error comes as its text alone.
func noRoom(err error) bool {
	for _, full := range []error{syscall.ENOSPC, syscall.EDQUOT} {
		if errors.Is(err, full) || strings.Contains(err.Error(), full.Error()) {
			return true
		}
	}
	return false
}
