package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"pithward/vision/header"
)

// What a worker is planned to take for a scan: something for itself, and so
// many times the scan's decoded size. Measured on rendered trays of 125 and
// 510 MB: 140 MB and 2.2 times; the rest is allowance. A test of the built
// worker holds it to this.
const (
	memoryOfWorker = 192 << 20
	memoryPerScan  = 2.5
)

// plannedMemory returns the bytes planned for the worker of a scan of so many
// decoded bytes.
func plannedMemory(decoded int64) int64 {
	return memoryOfWorker + int64(memoryPerScan*float64(decoded))
}

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
		jobs = min(jobs, int(free/5*4/plannedMemory(largest)))
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
