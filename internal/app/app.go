// Package app holds the use cases of the app: everything a person can do with
// estates, blocks, trees, cards and plans. It decides who may do what, calls the
// core, and asks a Store to keep the facts. It knows no SQL, no HTTP, no YAML
// and no files: what it needs of them it declares as small interfaces.
//
// Every exported method of App takes the context and the Actor first and checks
// the table of permissions before anything else. Every write is one transaction:
// the version a person looked at is checked, the event is appended, and the
// tables that pages read follow from it. Nothing is deleted.
package app

import (
	"context"
	"io"
	"sync"
	"time"

	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan/label"
)

// Actor is who acts. Local is the person alone on a laptop: loopback, no
// sign-in, owner of everything. The zero Actor is a stranger.
//
// A program acts for the person who made its token, and can do less: Token is
// the token's identifier, Most the greatest role it has anywhere, Only the one
// estate it reaches; empty, all of the person's.
type Actor struct {
	Person string
	Local  bool
	Token  string
	Most   Role
	Only   string
}

// LocalPerson is the identifier that events of the local actor carry.
const LocalPerson = "local"

// Local is the person alone on a laptop.
func Local() Actor { return Actor{Person: LocalPerson, Local: true} }

// Card is a label card as its reader understood it.
type ReadCard struct {
	Card       label.Card
	Hash       string
	Canonical  []byte // RFC 8785 canonical JSON of the content
	Place      func(path string) finding.Where
	Understood []Echo
}

// Echo says how a quantity of a card was understood. Note, if any, is a message
// identifier.
type Echo struct{ Path, Written, Understood, Note string }

// CardReader reads the text of a card; the error is finding.Faults with places.
type CardReader interface {
	ReadCard(text []byte, name string) (ReadCard, error)
}

// Columns maps a header as the file writes it to a column as Sapward names it,
// such as "Contorno" to "girth_cm"; an empty name leaves the column out. A nil
// map leaves matching to the reader.
type Columns map[string]string

// ColumnUse says what a header of a file was read as.
type ColumnUse struct {
	Header string `json:"header"`
	Column string `json:"column"` // empty: not used
	Place  int    `json:"place"`
}

// Table says what a file of rows held.
type Table struct {
	Headers []string
	Columns []ColumnUse
	Rows    int
	Notes   []finding.Finding
}

// TableReader reads tables of people's files, CSV or XLSX. With any fault it
// returns no rows and finding.Faults with all of them. Trees passes its rows on,
// some thousands at a time; where it returns an error, nothing of what it passed
// on counts. Names lists the columns that a table of trees may have, for a
// person to choose from.
type TableReader interface {
	Trees(r io.Reader, name string, match Columns, visit func([]tree.Tree) error) (Table, error)
	Wounds(r io.Reader, name string) ([]tree.Wound, error)
	Limbs(r io.Reader, name string) ([]tree.Limb, error)
	Obstacles(r io.Reader, name string) ([]tree.Obstacle, error)
	History(r io.Reader, name string) ([]tree.Treatment, error)
	Names() []string
}

// BoundaryReader is a TableReader that also reads outlines of blocks from files
// of places.
type BoundaryReader interface {
	Boundaries(r io.Reader, name string) ([]NamedBoundary, []finding.Finding, error)
}

// NamedBoundary is an outline that a file of places holds.
type NamedBoundary struct {
	Name   string // as the file names it; empty if it does not
	Points []Point
	Globe  bool // in degrees; else metres of a grid of its own
	Line   int
}

// Keeper does the housekeeping of the data folder.
type Keeper interface {
	// Backup writes a verified copy under dir and returns its folder.
	Backup(ctx context.Context, dir string) (BackupReport, error)
	// Check verifies chain, projections, attachments, keys and integrity. It
	// returns one finding a problem; none means clean.
	Check(ctx context.Context, progress func(done, of int64)) (CheckReport, error)
}

// BackupReport says what a backup holds.
type BackupReport struct {
	Folder      string `json:"folder"`
	Events      int64  `json:"events"`
	Head        string `json:"head"` // hash of the last event
	Attachments int    `json:"attachments"`
	Bytes       int64  `json:"bytes"`
}

// CheckReport is what a check found.
type CheckReport struct {
	Events      int64  `json:"events"`
	Rows        int64  `json:"rows"`
	Attachments int    `json:"attachments"`
	Head        string `json:"head"`
	// Newest says what the file beside the database tells of the newest event:
	// confirmed, gone, other, unreadable; empty where there is no such file, as in
	// a backup, whose manifest tells it.
	Newest   string            `json:"newest,omitempty"`
	Findings []finding.Finding `json:"findings"`
}

// Config is what an App is made of. Store, Now, NewID and Random are required.
type Config struct {
	Store      Store
	Keeper     Keeper   // nil: no backup and check from the app
	Sessions   Sessions // nil: sign-ins last as long as the process
	Beside     Beside   // nil: the store, where it can; else programs have no tokens
	Shared     Shared   // nil: this is the only server on its facts
	News       News     // nil: nobody else writes
	CardReader CardReader
	Tables     TableReader
	Weather    WeatherReader    // nil: drafts take no weather
	Follow     FollowReader     // nil: no tables of follow-up are read
	Engine     string           // the program's version, kept on every plan
	Now        func() time.Time // the clock
	NewID      func() string    // UUIDv7 as text
	Random     io.Reader        // crypto/rand.Reader
	Photos     PhotoLimits      // of a day's pictures; zero: DefaultPhotoLimits
}

// App is the use cases. It is safe for concurrent use.
type App struct {
	Config
	cache   cache
	days    liveDays
	live    hub
	others  bool // other servers tell what they kept
	desks   sync.Mutex
	wx      weatherDays
	models  models
	again   sync.Map // block -> againKept
	follows memo[FollowResult]
	dues    memo[[]DueItem]
	token   ownerToken
}

// New returns the use cases over a store.
func New(c Config) *App {
	if c.Beside == nil {
		c.Beside, _ = c.Store.(Beside)
	}
	a := &App{Config: c}
	if a.News != nil {
		a.others = a.News.Hear(a.live.tell)
	}
	return a
}

// missing is the fault for something that does not exist, or that the actor may
// not know of.
func missing(what string) error {
	return &finding.Fault{Class: finding.Missing, ID: "app-missing", Args: finding.Args{"what_by": finding.Text("kind-" + what)}}
}

// usage is a fault of the request.
func usage(id string, args finding.Args) *finding.Fault {
	return &finding.Fault{Class: finding.Usage, ID: id, Args: args}
}
