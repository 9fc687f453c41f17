package web

import "testing"

func TestHome_StaysHere(t *testing.T) {
	for in, want := range map[string]string{
		"/blocks/1?x=2": "/blocks/1?x=2", "": "/estates", "https://elsewhere.example": "/estates", "//elsewhere.example": "/estates",
		`/\elsewhere.example`: "/estates", "javascript:alert(1)": "/estates", "/a\nb": "/estates", "estates": "/estates",
	} {
		if got := home(in); got != want {
			t.Errorf("home(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestLoopback(t *testing.T) {
	for host, want := range map[string]bool{
		"127.0.0.1:8080": true, "127.0.0.1": true, "localhost:80": true, "LOCALHOST": true, "[::1]:80": true, "[::1]": true, "127.9.9.9": true,
		"estate.example": false, "127.0.0.1.example": false, "192.168.1.2": false, "": false,
	} {
		if got := loopback(host); got != want {
			t.Errorf("loopback(%q) = %v", host, got)
		}
	}
}

func TestDiff(t *testing.T) {
	got := diff("a\nb\nc\nd\ne\nf\ng\nh", "a\nb\nc\nd\nE\nf\ng\nh")
	var s string
	for _, l := range got {
		s += l.Kind + ":" + l.Text + " "
	}
	if want := "same:c same:d del:e add:E same:f same:g gap:… "; s != want {
		t.Errorf("got %q, want %q", s, want)
	}
	if diff("a\nb", "a\nb") != nil {
		t.Error("equal texts have a difference")
	}
}
