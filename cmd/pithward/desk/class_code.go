package desk

import (
	"crypto/rand"
	"fmt"
	"math/big"
	"strings"
)

// codeLetters are what codes are made of: capitals and digits no two of which look
// alike in a projected sans (no O and 0, I, L and 1, S and 5, Z and 2, B and 8, U
// and V, G and 6) and no two of which rhyme when read aloud in English (no B, C, D,
// E, P, T beside 3; no A, J beside K; no N beside M; no 5 beside 9; no Q beside 2).
const codeLetters = "FHKMRWXY234679"

// codeLength makes 14^9, some 2e10, codes: at sixty wrong guesses a minute, which
// is all that the server answers, half of them take some 300 years.
const codeLength = 9

// CoinCode makes a code by chance, without dashes.
func CoinCode() (string, error) {
	b := make([]byte, codeLength)
	for i := range b {
		n, err := rand.Int(rand.Reader, big.NewInt(int64(len(codeLetters))))
		if err != nil {
			return "", fmt.Errorf("no code can be made by chance: %w", err)
		}
		b[i] = codeLetters[n.Int64()]
	}
	return string(b), nil
}

// ShowCode writes a code as it is read aloud: in threes.
func ShowCode(code string) string {
	if len(code) != codeLength {
		return code
	}
	return code[:3] + "-" + code[3:6] + "-" + code[6:]
}

// plainCode takes what somebody typed for a code.
func plainCode(typed string) string {
	if len(typed) > 40 {
		return ""
	}
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(codeLetters, r) {
			return r
		}
		return -1
	}, strings.ToUpper(typed))
}
