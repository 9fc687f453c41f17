package exchange

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"time"

	ics "github.com/arran4/golang-ical"

	"sapward/measure/civil"
)

// CalendarEvent is one entry of a calendar file: with instants, or all day.
type CalendarEvent struct {
	Key        string // what the entry is, such as "rei-end": part of its identifier
	Title      string
	Text       string
	Start, End time.Time  // of a timed entry; written in UTC, so that no zone can be misread
	Day        civil.Date // of an all-day entry
	Days       int        // how many days; 0 means one
}

// Calendar is a calendar file (RFC 5545).
type Calendar struct {
	Content string    // what the identifiers are made from: the same content, the same identifiers
	Stamp   time.Time // DTSTAMP of every entry; passed in, so that the bytes repeat
	Events  []CalendarEvent

	Sequence int // raised with every change of the same content (RFC 5545, 3.8.7.4)
}

// UID is the stable identifier of an entry: the first 32 hexadecimal digits of
// the SHA-256 of content and key.
func (c Calendar) UID(key string) string {
	sum := sha256.Sum256([]byte(c.Content + "\n" + key))
	return hex.EncodeToString(sum[:16]) + "@sapward"
}

// Write writes the calendar: CRLF, lines folded at 75 octets, texts escaped,
// times in UTC, all-day entries as dates whose end is the day after. The same
// calendar gives the same bytes. No person's data is in it.
func (c Calendar) Write(w io.Writer) error {
	cal := ics.NewCalendarFor("sapward")
	cal.SetProductId("-//Sapward//Sapward//EN")
	cal.SetCalscale("GREGORIAN")
	cal.SetMethod(ics.MethodPublish)
	for _, e := range c.Events {
		v := cal.AddEvent(c.UID(e.Key))
		v.SetDtStampTime(c.Stamp.UTC())
		v.SetSequence(c.Sequence)
		if e.Day.IsZero() {
			v.SetStartAt(e.Start.UTC())
			v.SetEndAt(e.End.UTC())
		} else {
			v.SetAllDayStartAt(e.Day.In(time.UTC))
			v.SetAllDayEndAt(e.Day.AddDays(max(e.Days, 1)).In(time.UTC))
		}
		v.SetSummary(e.Title)
		if e.Text != "" {
			v.SetDescription(e.Text)
		}
	}
	return cal.SerializeTo(w, ics.WithNewLine("\r\n"))
}
