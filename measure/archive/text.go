package archive

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// textLines splits a foreign text into lines, whatever its line ends and
// encoding, and says what was odd. Line k of the file is element k-1.
func textLines(data []byte) ([]string, []Warning) {
	var warnings []Warning
	warn := func(line int, text string) { warnings = append(warnings, Warning{Line: line, Text: text}) }
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if k := bytes.IndexByte(data, 0x1a); k >= 0 {
		line := 1 + lineEnds(data[:k])
		rest := len(bytes.TrimSpace(bytes.Trim(data[k:], "\x1a\x00")))
		if rest > 0 {
			warn(line, fmt.Sprintf("an end-of-file mark (Ctrl-Z) stands before %d more bytes, which are not read", rest))
		} else {
			warn(line, "an end-of-file mark (Ctrl-Z)")
		}
		data = data[:k]
	}
	if !utf8.Valid(data) {
		k := 0
		for k < len(data) {
			r, n := utf8.DecodeRune(data[k:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			k += n
		}
		warn(1+lineEnds(data[:k]), "letters that are not UTF-8: read as Latin-1")
		data = latin1(data)
	}
	text := string(data)
	text = strings.ReplaceAll(text, "\r\n", "\n")
	if k := strings.IndexByte(text, '\r'); k >= 0 {
		warn(1+strings.Count(text[:k], "\n"), "a line ends in a bare carriage return")
	}
	text = strings.ReplaceAll(text, "\r", "\n")
	lines := strings.Split(text, "\n")
	if len(lines) > 0 && lines[len(lines)-1] == "" {
		lines = lines[:len(lines)-1]
	}
	return lines, warnings
}

// lineEnds counts LF, CR LF and bare CR, each as one.
func lineEnds(data []byte) int {
	return bytes.Count(data, []byte("\n")) + bytes.Count(data, []byte("\r")) - bytes.Count(data, []byte("\r\n"))
}

func latin1(data []byte) []byte {
	out := make([]byte, 0, len(data)+len(data)/8)
	for _, b := range data {
		out = utf8.AppendRune(out, rune(b))
	}
	return out
}
