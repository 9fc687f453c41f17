package app_test

import (
	"encoding/json"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/internal/app"
)

// An address works until it is revoked; the store holds its hash only; unknown
// and revoked addresses are told alike.
func TestFeed_MadeUsedRevoked(t *testing.T) {
	w := newWorld(t)
	ctx, me := t.Context(), app.Local()
	f, token, err := w.AddFeed(ctx, me, w.estate, "es")
	if err != nil {
		t.Fatal(err)
	}
	_, secret, _ := strings.Cut(token, ".")
	body, err := json.Marshal(f.Facts)
	if err != nil || len(secret) != 40 || strings.Contains(string(body), secret) {
		t.Errorf("secret %q kept in %s", secret, body)
	}
	c, err := w.Calendar(ctx, app.Actor{}, token)
	if err != nil || c.Lang != "es" || len(c.Items) == 0 {
		t.Fatalf("%+v %v", c, err)
	}
	due, err := w.Due(ctx, me, w.estate)
	if err != nil || len(due) != len(c.Items) {
		t.Errorf("%d items, %d due: %v", len(c.Items), len(due), err)
	}
	_, other, err := w.AddFeed(ctx, me, w.estate, "en")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.RevokeFeed(ctx, me, f.ID, "lost"); err != nil {
		t.Fatal(err)
	}
	if list, err := w.Feeds(ctx, me, w.estate); err != nil || len(list) != 2 { // the other one, and the one of the world
		t.Errorf("%d feeds, %v", len(list), err)
	}
	otherID, otherSecret, _ := strings.Cut(other, ".")
	for name, x := range map[string]string{"revoked": token, "mistyped": other[:len(other)-1] + "x", "mixed": otherID + "." + secret, "foreign id": f.ID + "." + otherSecret, "empty": "", "hash": otherID + "." + strings.Repeat("0", 40)} {
		_, err := w.Calendar(ctx, me, x)
		fs := finding.AsFaults(err)
		if len(fs) != 1 || fs[0].ID != "feed-unknown" || fs[0].Class != finding.Missing {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := w.Calendar(ctx, app.Actor{}, other); err != nil {
		t.Errorf("the other address: %v", err)
	}
}
