package api

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"sapward/internal/app"
)

const page = "../../docs/api.md"

// The page lists every operation as the table has it.
func TestPage_ListsOperations(t *testing.T) {
	data, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(data), "-->\n")
	_, after, ok2 := strings.Cut(rest, "<!-- end -->")
	if !ok || !ok2 {
		t.Fatal("the page has no place for the list")
	}
	var b strings.Builder
	group := ""
	for _, o := range operations() {
		if o.tag != group {
			group = o.tag
			fmt.Fprintf(&b, "\n**%s**\n\n| | | role | |\n|---|---|---|---|\n", group)
		}
		least, _, _ := app.PermissionOf(o.use)
		role := string(least)
		if o.open || least == app.Nobody {
			role = "any"
		}
		fmt.Fprintf(&b, "| %s | `%s` | %s | %s |\n", o.method, o.path, role, o.title)
	}
	want := before + "-->\n" + b.String() + "\n<!-- end -->" + after
	if *update {
		if err := os.WriteFile(page, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(data) != want {
		t.Error("docs/api.md is stale; run this test with -args -update")
	}
}
