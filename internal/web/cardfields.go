package web

// Kinds of fields on the form of a card.
const (
	kindText   = "text"
	kindArea   = "area"   // several lines
	kindChoice = "choice" // one of a list
	kindTruth  = "truth"  // true, false, or not said
	kindRange  = "range"  // two ends
	kindLines  = "lines"  // a list, one entry a line
	kindComma  = "comma"  // a list of short words
	kindChecks = "checks" // a list, each on or off
	kindHints  = "hints"  // a text with usual answers to choose from
)

// fieldSpec is one field of a part of a card: its path below the part, its
// kind, and the words of the card that may be chosen.
type fieldSpec struct {
	path, kind string
	options    []string
}

var (
	productFields      = []fieldSpec{{"name", kindText, nil}, {"holder", kindArea, nil}, {"restricted_use", kindTruth, nil}, {"agricultural", kindTruth, nil}, {"density", kindText, nil}, {"invented", kindTruth, nil}}
	registrationFields = []fieldSpec{
		{"number", kindText, nil}, {"supplement", kindText, nil}, {"type", kindChoice, []string{"full", "local-need", "emergency", "minor-use", "experimental", "old-stock"}},
		{"territory", kindComma, nil}, {"valid", kindText, nil}, {"use_up_by", kindText, nil},
	}
	activeFields = []fieldSpec{{"name", kindText, nil}, {"content", kindText, nil}, {"as", kindText, nil}, {"class", kindText, nil}}
	originFields = []fieldSpec{
		{"source.kind", kindChoice, []string{"container", "pdf", "register"}}, {"source.date", kindText, nil},
		{"verified.entered_by", kindText, nil}, {"verified.entered_on", kindText, nil}, {"verified.checked_by", kindText, nil}, {"verified.checked_on", kindText, nil},
	}
	useFields     = []fieldSpec{{"method", kindChoice, []string{"injection", "infusion"}}, {"targets", kindLines, nil}, {"page", kindText, nil}, {"without_drilling", kindText, nil}}
	siteFields    = []fieldSpec{{"name", kindText, nil}, {"code", kindText, nil}, {"food", kindTruth, nil}, {"bearing", kindChoice, []string{"any", "nonbearing"}}}
	treeFields    = []fieldSpec{{"measure.at", kindText, nil}, {"measure.stems", kindChoice, []string{"each", "root-sum-square", "sum"}}, {"tree.min", kindText, nil}, {"tree.max", kindText, nil}, {"tree.crown_loss_max", kindText, nil}}
	rateBases     = []string{"diameter", "girth", "canopy diameter", "canopy volume", "basal area", "tree", "port"}
	rateFields    = []fieldSpec{{"rate.per", kindChoice, rateBases}, {"rate.low", kindText, nil}, {"rate.high", kindText, nil}, {"rate.active", kindRange, nil}, {"rate.shape", kindText, nil}}
	bandFields    = []fieldSpec{{"from", kindText, nil}, {"to", kindText, nil}, {"amount", kindText, nil}, {"ports", kindText, nil}}
	classFields   = []fieldSpec{{"class", kindText, nil}, {"amount", kindText, nil}}
	dilutionField = []fieldSpec{{"dilution.mix_per", kindRange, nil}, {"dilution.mix_per_tree", kindRange, nil}, {"dilution.concentration", kindRange, nil}, {"dilution.mix_life", kindText, nil}}
	portFields    = []fieldSpec{
		{"ports.place", kindChecks, []string{"root flare", "trunk", "limb"}}, {"ports.spacing", kindRange, nil}, {"ports.volume", kindRange, nil}, {"ports.hole", kindText, nil}, {"ports.sapwood_depth", kindRange, nil},
		{"ports.height", kindRange, nil}, {"ports.min", kindText, nil}, {"ports.max", kindText, nil}, {"pressure", kindRange, nil}, {"ports.plug", kindText, nil},
	}
	portMoreFields = []fieldSpec{
		{"ports.density_min", kindText, nil}, {"ports.density_max", kindText, nil}, {"ports.stagger", kindText, nil}, {"ports.down_slope", kindText, nil},
		{"ports.keep_out.sideways", kindText, nil}, {"ports.keep_out.below", kindText, nil}, {"ports.keep_out.above", kindText, nil}, {"ports.wound_warn", kindText, nil}, {"ports.wound_max", kindText, nil},
	}
	limitFields = []fieldSpec{
		{"limits.applications", kindHints, []string{"1 per year", "2 per year", "1 per season", "1 per life"}}, {"limits.year", kindChoice, []string{"rolling", "calendar", "season"}}, {"limits.season_starts", kindText, nil}, {"limits.interval", kindText, nil},
		{"limits.per_application", kindText, nil}, {"limits.per_year", kindText, nil}, {"limits.active_per_area", kindText, nil},
	}
	timingFields = []fieldSpec{
		{"timing.months", kindChecks, []string{"1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11", "12"}}, {"timing.temperature", kindRange, nil},
		{"timing.bloom", kindHints, []string{"not in bloom", "after petal fall", "10 days before bloom"}}, {"timing.hours", kindText, nil}, {"timing.force", kindChoice, []string{"mandatory", "advisory"}},
	}
	waitFields = []fieldSpec{
		{"rei", kindHints, []string{"12 h", "24 h", "until dry", "none"}}, {"notify", kindChoice, []string{"oral", "posted", "both"}},
		{"phi", kindHints, []string{"not for food", "none"}}, {"grazing", kindText, nil},
	}
	safetyFields = []fieldSpec{
		{"ppe.mix", kindLines, nil}, {"ppe.apply", kindLines, nil}, {"ppe.clean", kindLines, nil}, {"ppe.early_entry", kindLines, nil},
		{"first_aid", kindArea, nil}, {"emergency_number", kindText, nil}, {"storage", kindArea, nil}, {"disposal", kindArea, nil}, {"spill", kindArea, nil},
	}
	statementFields = []fieldSpec{{"force", kindChoice, []string{"mandatory", "advisory"}}, {"text", kindArea, nil}, {"page", kindText, nil}}
)
