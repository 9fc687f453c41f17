package crew

import "slices"

// Items of the kit list: identifiers of the message catalogue, with the unit they are counted in.
const (
	KitPorts          = "kit-ports"           // pieces
	KitBits           = "kit-bits"            // pieces
	KitDrills         = "kit-drills"          // pieces
	KitBatteries      = "kit-batteries"       // pieces
	KitSyringes       = "kit-syringes"        // pieces, a line by capacity
	KitNeedles        = "kit-needles"         // pieces
	KitLines          = "kit-lines"           // pieces
	KitTees           = "kit-tees"            // pieces: one a port of the largest tree on every line
	KitContainers     = "kit-containers"      // pieces: bags or tanks of the devices
	KitHammer         = "kit-hammer"          // pieces
	KitSettingTool    = "kit-setting-tool"    // pieces
	KitPaint          = "kit-paint"           // cans
	KitTape           = "kit-tape"            // girth tapes
	KitBarrierTape    = "kit-barrier-tape"    // rolls
	KitDisinfectant   = "kit-disinfectant"    // microlitres
	KitAbsorbent      = "kit-absorbent"       // packs
	KitSharpsBox      = "kit-sharps-box"      // boxes
	KitWaterMix       = "kit-water-mix"       // microlitres
	KitWaterRinse     = "kit-water-rinse"     // microlitres, counted apart
	KitProduct        = "kit-product"         // microlitres bought
	KitGear           = "kit-gear"            // pieces; the card's own words in Label
	KitEyeWash        = "kit-eye-wash"        // bottles
	KitMeasuringTray  = "kit-measuring-tray"  // pieces
	KitSigns          = "kit-signs"           // pieces
	KitForms          = "kit-forms"           // sheets
	KitClimbingGear   = "kit-climbing-gear"   // sets, with what a rescue takes
	KitSeparateKit    = "kit-separate"        // sets kept apart for symptomatic trees
	KitContainerLabel = "kit-container-label" // pieces: labels for what mix is kept in
)

// Units of a kit line.
const (
	UnitPiece = "piece"
	UnitUL    = "ul"
)

// KitLine is one line of the packing list. Need is what the work takes, Spare comes on top, Pack is both.
type KitLine struct {
	Item       string `json:"item"`
	Label      string `json:"label,omitempty"`       // words of the card
	Task       string `json:"task,omitempty"`        // of protective gear
	CapacityUL int64  `json:"capacity_ul,omitempty"` // of a syringe
	Unit       string `json:"unit"`
	Need       int64  `json:"need"`
	Spare      int64  `json:"spare"`
	Pack       int64  `json:"pack"`
}

// FillUse is one fill (volume per port) and where it is used.
type FillUse struct {
	FillUL       int64 `json:"fill_ul"`
	Ports        int64 `json:"ports"`           // in all
	MostInOneUse int64 `json:"most_in_one_use"` // ports of the largest tree with this fill
}

// Gear is protective gear one task asks for, in the card's words.
type Gear struct {
	Task  string   `json:"task"`
	Items []string `json:"items"`
}

// KitRequest is what MakeKit needs.
type KitRequest struct {
	Trees       int64
	Ports       int64 // left in or set; a port to a hole
	Symptomatic int64 // symptomatic trees among them
	Days        int64
	People      int64 // in the field
	Workers     int64 // of them treating trees; a pair aloft is two
	Climbers    int64 // of them climbing
	Delivery    Delivery
	Devices     int64 // 0: one a worker
	PortsMost   int64 // ports of the tree with most
	Fills       []FillUse
	SyringeUL   []int64 // capacities at hand, any order
	Gear        []Gear
	Signs       int64 // entrances and sides to be posted
	Mix         Mix
	SpareBP     int64 // spares in basis points (1/10,000); 0: 1,000 = 10 %; negative: none
	HolesPerBit int64 // 0: 50
	TreesPerSh  int64 // trees a sheet of the form holds; 0: 20
	DisinfectUL int64 // disinfectant a tree; 0: 50 mL
}

// Program defaults, common practice, no source.
const (
	defaultSpareBP     = 1_000
	defaultHolesPerBit = 50
	defaultTreesPerSh  = 20
	defaultDisinfectUL = 50_000
	bitSetsPerWorker   = 2   // one in use, one soaking
	marksPerCan        = 400 // painted marks a can
	sharpsPerBox       = 100 // needles and bits a box
	treesPerRoll       = 50  // trees fenced off with a roll of barrier tape
	holesPerBattery    = 100 // holes a battery charge drills
)

// Kit is the packing list.
type Kit struct {
	Lines    []KitLine `json:"lines"`
	SpareBP  int64     `json:"spare_bp"`
	Cautions []string  `json:"cautions"`
}

// CautionSeparateKit goes with symptomatic trees.
const CautionSeparateKit = "caution-separate-kit"

// MakeKit returns what to pack. Numbers of consumables and hand tools carry spares (10 % by default, rounded up, each line
// by itself); liquids, protective gear, signs and forms do not. Bits: one per 50 holes, but never fewer than two a worker,
// so that one soaks in disinfectant while the other drills. Syringes: each fill goes into the smallest capacity that
// holds it; every worker or device carries enough for two trees, as one is loaded while the other empties, and never
// more than there are ports. Every factor is a program default unless the request says otherwise.
//
// Errors: values out of range, a fill no syringe holds.
func MakeKit(q KitRequest) (Kit, error) {
	if err := q.defaults(); err != nil {
		return Kit{}, err
	}
	k := Kit{SpareBP: q.SpareBP, Cautions: []string{}}
	spared := func(item string, need int64) { k.add(KitLine{Item: item, Unit: UnitPiece, Need: need}, q.SpareBP) }
	plain := func(item, unit string, need int64) { k.add(KitLine{Item: item, Unit: unit, Need: need}, 0) }

	bits := max(ceilDiv(q.Ports, q.HolesPerBit), bitSetsPerWorker*q.Workers)
	spared(KitPorts, q.Ports)
	spared(KitBits, bits)
	spared(KitDrills, q.Workers)
	spared(KitBatteries, max(q.Workers, ceilDiv(q.Ports, holesPerBattery)))
	var needles int64
	if q.Delivery == ByHand || q.Delivery == Spring {
		n, err := k.syringes(q)
		if err != nil {
			return Kit{}, err
		}
		needles = n
		spared(KitNeedles, needles)
	} else {
		spared(KitLines, q.Devices)
		spared(KitTees, q.Devices*q.PortsMost)
		spared(KitContainers, q.Devices)
	}
	spared(KitHammer, q.Workers)
	spared(KitSettingTool, q.Workers)
	spared(KitPaint, ceilDiv(q.Trees+q.Ports, marksPerCan))
	spared(KitTape, q.Workers)
	spared(KitBarrierTape, ceilDiv(q.Trees, treesPerRoll))
	plain(KitDisinfectant, UnitUL, q.Trees*q.DisinfectUL)
	spared(KitAbsorbent, q.People)
	spared(KitSharpsBox, ceilDiv(needles+bits, sharpsPerBox))
	plain(KitProduct, UnitUL, q.Mix.Balance.ProductInUL)
	plain(KitWaterMix, UnitUL, q.Mix.Balance.WaterTreesUL+q.Mix.Balance.WaterHeldUL)
	plain(KitWaterRinse, UnitUL, q.Mix.Balance.WaterRinseUL)
	plain(KitMeasuringTray, UnitPiece, 1)
	plain(KitContainerLabel, UnitPiece, int64(len(q.Mix.Batches)))
	plain(KitEyeWash, UnitPiece, q.People)
	for _, g := range q.Gear {
		for _, item := range g.Items {
			k.add(KitLine{Item: KitGear, Label: item, Task: g.Task, Unit: UnitPiece, Need: q.People}, 0)
		}
	}
	plain(KitClimbingGear, UnitPiece, q.Climbers)
	plain(KitSigns, UnitPiece, q.Signs)
	plain(KitForms, UnitPiece, ceilDiv(q.Trees, q.TreesPerSh)+q.Days)
	if q.Symptomatic > 0 {
		plain(KitSeparateKit, UnitPiece, min(q.Symptomatic, q.Workers))
		k.Cautions = append(k.Cautions, CautionSeparateKit)
	}
	return k, nil
}

// add appends a line that needs anything, with its spares rounded up.
func (k *Kit) add(l KitLine, spareBP int64) {
	if l.Need <= 0 {
		return
	}
	l.Spare = ceilDiv(l.Need*spareBP, 10_000)
	l.Pack = l.Need + l.Spare
	k.Lines = append(k.Lines, l)
}

// syringes adds a line by capacity and returns how many syringes there are.
func (k *Kit) syringes(q KitRequest) (int64, error) {
	sizes := slices.Clone(q.SyringeUL)
	slices.Sort(sizes)
	carriers := q.Workers
	if q.Delivery == Spring {
		carriers = q.Devices
	}
	count := map[int64]int64{}
	var all int64
	for _, f := range q.Fills {
		i, _ := slices.BinarySearch(sizes, f.FillUL)
		if i == len(sizes) {
			return 0, fault(CodeNoSyringe, "fills", "%d uL", f.FillUL)
		}
		n := min(f.Ports, 2*carriers*f.MostInOneUse)
		count[sizes[i]] += n
		all += n
	}
	for _, c := range slices.Compact(sizes) {
		k.add(KitLine{Item: KitSyringes, CapacityUL: c, Unit: UnitPiece, Need: count[c]}, q.SpareBP)
	}
	return all, nil
}

// defaults checks the request and fills in what was left at zero.
func (q *KitRequest) defaults() error {
	if err := q.Delivery.check(); err != nil {
		return err
	}
	const most = 10_000_000
	for _, v := range []struct {
		name string
		n    int64
	}{{"trees", q.Trees}, {"ports", q.Ports}, {"symptomatic", q.Symptomatic}, {"days", q.Days}, {"people", q.People}, {"workers", q.Workers},
		{"climbers", q.Climbers}, {"devices", q.Devices}, {"ports_most", q.PortsMost}, {"signs", q.Signs}, {"holes_per_bit", q.HolesPerBit},
		{"trees_per_sheet", q.TreesPerSh}, {"disinfect_ul", q.DisinfectUL}} {
		if v.n < 0 || v.n > most {
			return fault(CodeOutOfRange, v.name, "%d", v.n)
		}
	}
	if q.Workers < 1 || q.Workers > q.People || q.Climbers > q.Workers {
		return fault(CodeOutOfRange, "workers", "%d of %d people, %d climbing", q.Workers, q.People, q.Climbers)
	}
	for _, f := range q.Fills {
		if f.FillUL < 1 || f.FillUL > maxUL || min(f.Ports, f.MostInOneUse) < 0 || max(f.Ports, f.MostInOneUse) > most {
			return fault(CodeOutOfRange, "fills", "%+v", f)
		}
	}
	if q.SpareBP > 10_000 {
		return fault(CodeOutOfRange, "spare_bp", "%d", q.SpareBP)
	}
	q.SpareBP = orDefault(q.SpareBP, defaultSpareBP)
	q.SpareBP = max(q.SpareBP, 0)
	q.HolesPerBit = orDefault(q.HolesPerBit, defaultHolesPerBit)
	q.TreesPerSh = orDefault(q.TreesPerSh, defaultTreesPerSh)
	q.DisinfectUL = orDefault(q.DisinfectUL, defaultDisinfectUL)
	q.Devices = orDefault(q.Devices, q.Workers)
	return nil
}

func orDefault(v, otherwise int64) int64 {
	if v == 0 {
		return otherwise
	}
	return v
}
