package report

import (
	"bytes"
	"flag"
	"os"
	"testing"
)

var update = flag.Bool("update", false, "write the README's picture")

// The README's ring is the ring of a tree of the demo: nobody drew it by hand.
func TestRing_IsTheReadmesPicture(t *testing.T) {
	in := estate(t, want{})
	var b bytes.Buffer
	if err := Ring(&b, in, "E003", 130); err != nil {
		t.Fatal(err)
	}
	const path = "../../docs/images/ring.svg"
	if *update {
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(have, b.Bytes()) {
		t.Error("docs/images/ring.svg is stale; run this test with -args -update and look at it")
	}
	if Ring(&bytes.Buffer{}, in, "nobody", 130) == nil {
		t.Error("a tree that is not planned has a ring")
	}
}
