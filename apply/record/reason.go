package record

// Reasons that this program itself gives for what does not apply. A record
// keeps the code; a reader's language says it. What a person wrote stays as it
// was written.
const (
	NoneUndiluted = "none-undiluted" // injected as product, without water
	NoneOnCard    = "none-on-card"   // the card states that there is none
)

// reasonCodes are the codes, and the words that records before them hold.
var reasonCodes = map[string]string{
	NoneUndiluted:                        NoneUndiluted,
	NoneOnCard:                           NoneOnCard,
	"injected as product, without water": NoneUndiluted,
	"the card states that there is none": NoneOnCard,
}

// ReasonCode returns the code of a reason that this program gave; ok is false
// for a person's own words.
func ReasonCode(reason string) (code string, ok bool) {
	code, ok = reasonCodes[reason]
	return code, ok
}
