package archive

import "fmt"

func sscanLine(note string, line *int) (int, error) { return fmt.Sscanf(note, "line %d", line) }
