package cli

import (
	"os"
	"time"
)

// fixRecordClock lets a script say what time it is. Only the test binary has
// this: no user can set the clock of a record.
func fixRecordClock() {
	if at, err := time.Parse(time.RFC3339, os.Getenv("TEST_NOW")); err == nil {
		recordClock = func() time.Time { return at }
		recordID = func() string { return "01890000-0000-7000-8000-000000000001" }
	}
}
