package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"pithward/vision/header"
)

// What a worker is planned to take for a scan: something for itself, and so
// many times the decoded scan. Measured by TestMemoryOfWorker on scans of 70 to
// 425 MB: 2.2 times and some 140 MB; the rest is allowance.
const (
	memoryOfWorker = 192 << 20
	memoryPerByte  = 2.5
)

// plannedMemory returns the bytes planned for the worker of a scan.
func plannedMemory(h header.Header) int64 {
	return memoryOfWorker + int64(memoryPerByte*float64(h.DecodedBytes()))
}

// defaultJobs returns how many scans to measure at once: as many of the
// largest as fit into four fifths of the free memory (chosen, to leave room
// for the rest of the machine), at most one a processor, at least one.
func defaultJobs(scans []string, d deps) int {
	var largest int64
	for _, s := range scans {
		if h, err := header.ReadFile(s); err == nil { // what cannot be read takes none, and is said later
			largest = max(largest, plannedMemory(h))
		}
	}
	jobs := min(d.processors, len(scans))
	if free := d.memory(); free > 0 && largest > 0 {
		jobs = min(jobs, int(free/5*4/largest))
	}
	return max(1, jobs)
}

// enough tells why a scan cannot be measured in the memory that was free as the
// run began; room is 0 where that is not known. What cannot be read is said by
// the worker.
func enough(scan string, room int64) error {
	h, err := header.ReadFile(scan)
	if err != nil || room <= 0 {
		return nil
	}
	need := plannedMemory(h)
	if need <= room {
		return nil
	}
	return fmt.Errorf("%d x %d px of %d x %d bits need about %s of memory to be measured, and %s are free: close other programs, or cut the scan in two",
		h.Width, h.Height, h.DecodedChannels(), h.Bits, gigabytes(need), gigabytes(room))
}

func gigabytes(n int64) string { return fmt.Sprintf("%.1f GB", float64(n)/1e9) }

// freeMemory returns the bytes of memory that can be used without swapping,
// by the kernel's own estimate and within the limit of the control group that
// the program runs in, or 0 where it gives none.
func freeMemory() int64 {
	free := field("/proc/meminfo", "MemAvailable:") << 10
	const group = "/sys/fs/cgroup/" // version 2; a container sees its own here
	limit := field(group+"memory.max", "")
	if limit <= 0 {
		return free
	}
	left := limit - field(group+"memory.current", "") + field(group+"memory.stat", "inactive_file")
	if free == 0 {
		return max(left, 1)
	}
	return max(min(free, left), 1)
}

// field returns the number that follows a word at the start of a line of a
// file of the kernel's, 0 if there is none.
func field(path, word string) int64 {
	f, err := os.Open(path)
	if err != nil {
		return 0
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		rest, ok := strings.CutPrefix(lines.Text(), word)
		var n int64
		if ok {
			if _, err := fmt.Sscan(rest, &n); err == nil {
				return n
			}
		}
	}
	return 0
}
