// Package record is the application record: what was put into which trees,
// when, where and by whom, as the regimes the user chose ask for it. It says
// what is missing and where it is filled, works out re-entry and harvest,
// signs, amends and verifies. It reads no file and no clock: the canonical
// form of JSON, time zones and instants are arguments. It gives no legal
// advice; the label and local law decide.
package record

// Schema names the format of a record.
const Schema = "sapward/record/1"
