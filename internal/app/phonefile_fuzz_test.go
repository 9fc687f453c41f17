package app

import (
	"encoding/json"
	"testing"

	"sapward/finding"
)

// FuzzPhoneFile: a file that says it is a phone's opens or is refused with one
// fault that has a message of its own, never more.
func FuzzPhoneFile(f *testing.F) {
	f.Add([]byte(`{"schema":"` + PhoneFileSchema + `","notes":[{"id":"x"}],"photos":[]}`))
	f.Add([]byte(`{"schema":"sapward/phone-export/9"}`))
	f.Add([]byte(`{"schema":"` + PhoneFileSchema + `","notes":[`))
	f.Add([]byte("\xef\xbb\xbf {}"))
	f.Add([]byte(" "))
	f.Fuzz(func(t *testing.T, data []byte) {
		_, err := openPhoneFile(data)
		if err == nil {
			return
		}
		if fs := finding.AsFaults(err); len(fs) != 1 || fs[0].ID == "" || fs[0].ID == "internal" {
			t.Fatalf("%v", err)
		}
	})
}

// FuzzNote: a note from a phone is refused with a fault, or its canonical text
// reads as the same note.
func FuzzNote(f *testing.F) {
	f.Add([]byte(`{"id":"01a214c0-f7ba-7000-b9e2-06cad3a37e2c","device":"01a214c0-f7ba-7000-b9e2-06cad3a37e2d","n":1,"kind":"drilled","tree":"A","port":1}`))
	f.Add([]byte(`{"id":1}`))
	f.Add([]byte(`{"id":"x","unknown":true}`))
	f.Add([]byte(`null`))
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := readNote(json.RawMessage(data))
		if err != nil {
			return
		}
		text, err := n.Canonical()
		if err != nil {
			t.Fatal(err)
		}
		again, err := readNote(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		same, err := again.Canonical()
		if err != nil || string(same) != string(text) {
			t.Fatalf("%s and %s, %v", text, same, err)
		}
	})
}
