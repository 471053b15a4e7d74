package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"pithward/vision/header"
)

// memoryPerScan is how many times its decoded size the worker is planned to
// take for a scan (the project's own limit, held by a test of the worker).
const memoryPerScan = 4

// defaultJobs returns how many scans to measure at once: as many of the
// largest as fit into four fifths of the free memory (chosen, to leave room
// for the rest of the machine), at most one a processor, at least one.
func defaultJobs(scans []string, d deps) int {
	var largest int64
	for _, s := range scans {
		if h, err := header.ReadFile(s); err == nil { // what cannot be read takes none, and is said later
			largest = max(largest, h.DecodedBytes())
		}
	}
	jobs := min(d.processors, len(scans))
	if free := d.memory(); free > 0 && largest > 0 {
		jobs = min(jobs, int(free/5*4/(largest*memoryPerScan)))
	}
	return max(1, jobs)
}

// freeMemory returns the bytes of memory that can be used without swapping,
// by the kernel's own estimate, or 0 where it gives none.
func freeMemory() int64 {
	f, err := os.Open("/proc/meminfo")
	if err != nil {
		return 0
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var kb int64
		if rest, ok := strings.CutPrefix(lines.Text(), "MemAvailable:"); ok {
			if _, err := fmt.Sscanf(rest, "%d kB", &kb); err == nil {
				return kb << 10
			}
		}
	}
	return 0
}
