package measure

import (
	"os"
	"path/filepath"
	"testing"
)

// TestHashFile checks the example of FIPS 180-2, appendix B.1: SHA-256 of "abc".
func TestHashFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "abc")
	if err := os.WriteFile(path, []byte("abc"), 0o600); err != nil {
		t.Fatal(err)
	}
	const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if got, err := HashFile(path); err != nil || got != want {
		t.Errorf("%s %v, want %s", got, err, want)
	}
	if _, err := HashFile(path + ".missing"); err == nil {
		t.Error("a file that is not there was hashed")
	}
}
