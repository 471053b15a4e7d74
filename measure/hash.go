package measure

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
)

// Identify names a measurement's scan and cores by the scan's hash, as HashFile
// gives it.
func (m *Measurement) Identify(sum string) {
	m.Scan.SHA256 = sum
	for i := range m.Cores {
		m.Cores[i].UID = fmt.Sprintf("%s-%d", sum[:16], m.Cores[i].Position)
	}
}

// HashFile returns the SHA-256 of a file in hexadecimal, as Scan.SHA256 has it.
func HashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
