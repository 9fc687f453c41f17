package tag_test

import (
	"crypto/sha256"
	"fmt"
	"io"
	"testing"

	"sapward/apply/tag"
)

// The same text gives the same code, 20,000 texts give codes that all pass
// their check, and the bytes are those of SHA-256.
func TestDerived_RepeatsAndSpreads(t *testing.T) {
	got := make([]byte, 40)
	if _, err := io.ReadFull(tag.Derived("block\x00E001"), got); err != nil {
		t.Fatal(err)
	}
	first, second := sha256.Sum256([]byte("\x00\x00\x00\x00\x00\x00\x00\x00block\x00E001")), sha256.Sum256([]byte("\x00\x00\x00\x00\x00\x00\x00\x01block\x00E001"))
	if string(got) != string(first[:])+string(second[:8]) {
		t.Error("not the bytes of SHA-256")
	}
	seen := map[string]int{}
	for i := range 20000 {
		text := fmt.Sprintf("block\x00E%d", i)
		code, err := tag.NewCode(tag.Derived(text), nil)
		if err != nil {
			t.Fatal(err)
		}
		if again, _ := tag.NewCode(tag.Derived(text), nil); again != code {
			t.Fatalf("%s and %s", code, again)
		}
		if back, err := tag.ReadCode(code); err != nil || back != code {
			t.Fatalf("%s: %v", code, err)
		}
		seen[code]++
	}
	// 20,000 of 32^6 * 32/37 codes: 0.2 pairs are expected by chance.
	if len(seen) < 19997 {
		t.Errorf("only %d different codes", len(seen))
	}
}
