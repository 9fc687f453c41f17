package report

import (
	"fmt"
	"slices"
	"time"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/plan"
	"sapward/plan/crew"
)

// kit is what to pack, what to mix and what it costs.
func (d *document) kit() error {
	o := d.in.Outfit
	if o == nil || d.refused() {
		return nil
	}
	d.section(d.t("report-kit"), d.say.Say("report-kit-meaning", finding.Args{"spare": finding.Text(lang.Figure(float64(o.Kit.SpareBP)/100, 1))}))
	t := d.newTable(column{head: d.t("report-packed"), share: 14, box: true}, column{head: d.t("col-item"), share: 66}, column{head: d.t("report-need"), share: 36, right: true},
		column{head: d.t("col-spare"), share: 20, right: true}, column{head: d.t("col-pack"), share: 36, right: true, bold: true}, column{head: d.t("report-back"), share: 14, box: true})
	for _, l := range o.Kit.Lines {
		spare := ""
		if l.Spare > 0 {
			spare = d.kitCount(l, l.Spare)
		}
		t.row("", d.kitName(l), d.kitCount(l, l.Need), spare, d.kitCount(l, l.Pack), "")
	}
	for _, c := range o.Kit.Cautions {
		d.y += 1.5
		d.badged(finding.ByPractice, "", d.crewWord(c))
	}
	d.mixing(o.Mixing)
	d.cost(o.Cost)
	return nil
}

func (d *document) kitName(l crew.KitLine) string {
	str := d.t(l.Item)
	if l.Label != "" {
		str = l.Label
		if l.Task != "" {
			str += " (" + d.t("task-"+l.Task) + ")"
		}
	}
	if l.CapacityUL > 0 {
		str += " " + d.ul(l.CapacityUL)
	}
	return str
}

func (d *document) ul(n int64) string { return d.say.Volume(float64(n) / 1000) }

func (d *document) kitCount(l crew.KitLine, n int64) string {
	if l.Unit == crew.UnitUL {
		return d.ul(n)
	}
	return whole(n)
}

// mixing is the table of batches with what is left over.
func (d *document) mixing(m crew.Mix) {
	if len(d.plan.Mix) == 0 {
		if m.Balance.ProductInUL > 0 {
			d.subhead(d.t("report-loading"))
			d.paragraph(d.say.Say("report-undiluted", finding.Args{"product": finding.Text(d.ul(m.Balance.ProductTreesUL)), "rinse": finding.Text(d.ul(m.Balance.WaterRinseUL))}), text{})
		}
		return
	}
	d.need(50) // the steps stay together
	d.subhead(d.t("head-mixing"))
	for _, l := range d.plan.Mix {
		args := finding.Args{
			"concentration": finding.Text(lang.Figure(l.ConcentrationMLPerL, 3)), "product": finding.Number(l.Product.ML(), "mL"),
			"water": finding.Number(l.Water.ML(), "mL"), "mix": finding.Number(l.Mix.ML(), "mL"), "life": finding.Number(l.LifeH, "h"),
		}
		d.paragraph(d.say.Say("mix-line", args), text{})
		if l.LifeH > 0 {
			d.paragraph(d.say.Say("mix-life", args), text{})
		}
	}
	d.y += 1.5
	for i, id := range []string{"report-mix-1", "report-mix-2", "report-mix-3", "report-mix-4"} {
		d.need(lineBody + 1)
		d.tick(d.x+0.5, d.y+3.3, 3)
		ls := d.wrap(whole(i+1)+". "+d.t(id), d.width-6, text{})
		d.lines(d.x+6, d.y+3.3, d.width-6, ls, text{})
		d.y += float64(len(ls))*lineBody + 0.6
	}
	d.y += 1.5
	t := d.newTable(column{head: d.t("report-done"), share: 12, box: true}, column{head: d.t("report-batch"), share: 14, right: true, bold: true}, column{head: d.t("report-mix-between"), share: 44},
		column{head: d.t("kit-product"), share: 24, right: true, bold: true}, column{head: d.t("report-water"), share: 26, right: true, bold: true}, column{head: d.t("head-trees"), share: 16, right: true}, column{head: d.t("report-mixed-at"), share: 24})
	for _, b := range m.Batches {
		t.row("", whole(b.Number), d.mixTimes(b), d.vol(plan.Microlitres(b.ProductUL)), d.vol(plan.Microlitres(b.WaterUL)), whole(len(b.Shares)), "")
	}
	d.y += 1.5
	d.paragraph(d.say.Say("mixing-left", finding.Args{"mix": finding.Number(m.LeftMixML, "mL"), "product": finding.Number(m.LeftProductML, "mL"), "rinse": finding.Number(m.WaterRinseML, "mL")}), text{})
}

// mixTimes is when a batch is mixed; the clock starts with the first day.
func (d *document) mixTimes(b crew.Batch) string {
	days := d.in.Outfit.Schedule.Days
	if len(days) == 0 {
		return ""
	}
	from := days[0].Start.Add(time.Duration(b.MixFromS) * time.Second)
	by := days[0].Start.Add(time.Duration(b.MixByS) * time.Second)
	day := ""
	if len(days) > 1 {
		day = by.Format(time.DateOnly) + " "
	}
	if b.MixFromS < 0 || !from.Before(by) || from.YearDay() != by.YearDay() {
		return day + d.say.Say("report-mix-by", finding.Args{"time": finding.Text(d.clock(by))})
	}
	return day + d.clock(from) + " – " + d.clock(by)
}

// cost is the cost of the job, if prices were given.
func (d *document) cost(c *crew.Cost) {
	if c == nil || len(c.Lines) == 0 {
		return
	}
	d.subhead(d.t("report-costs"))
	t := d.newTable(column{head: d.t("col-item"), share: 90}, column{head: d.t("report-quantity"), share: 44, right: true}, column{head: d.t("report-cost"), share: 44, right: true, bold: true})
	for _, l := range c.Lines {
		n := whole(l.Quantity)
		switch l.Item {
		case crew.CostLabour:
			n = lang.Fixed(float64(l.Quantity)/3600, 1) + " h"
		case crew.CostProduct, crew.KitDisinfectant:
			n = d.ul(l.Quantity)
		}
		t.row(d.t(l.Item), n, Money(l.Cost))
	}
	t.row(d.t("report-total"), "", Money(c.Total))
	if len(c.Unpriced) > 0 {
		var names []string
		for _, u := range c.Unpriced {
			if str := d.t(u); !slices.Contains(names, str) {
				names = append(names, str)
			}
		}
		d.y += 1
		d.paragraph(d.say.Say("report-unpriced", finding.Args{"items": finding.Text(join(", ", names...))}), text{size: small, gray: muted})
	}
}

// Money writes an amount with its currency: 12.50 EUR.
func Money(m crew.Money) string {
	switch brief.MinorUnits(m.Currency) {
	case 1:
		return fmt.Sprintf("%d %s", m.Minor, m.Currency)
	case 1000:
		return fmt.Sprintf("%d.%03d %s", m.Minor/1000, m.Minor%1000, m.Currency)
	}
	return fmt.Sprintf("%d.%02d %s", m.Minor/100, m.Minor%100, m.Currency)
}

// dayKinds are the kinds of bar of the day's picture.
const (
	barTreat = iota
	barReturn
	barWatch
	barWait
	barWalk
)

// dayBars joins the steps of one visit to one bar, so that a bar is a tree.
func dayBars(p crew.PersonDay, start float64) []draw.DayBar {
	var out []draw.DayBar
	tree, kind := "", -2
	for _, b := range p.Bars {
		k := barTreat
		switch b.Step {
		case crew.StepBreak:
			k = -1
		case crew.StepWalk:
			k = barWalk
		case crew.StepWait:
			k = barWait
		case crew.StepWatch:
			k = barWatch
		case crew.StepSealPull, crew.StepRinse:
			k = barTreat
			if kind == barReturn && tree == b.Tree || tree != b.Tree {
				k = barReturn
			}
		}
		if kind == barTreat && b.Tree == tree && k == barWatch {
			k = barTreat
		}
		from, to := start+float64(b.StartS)/60, start+float64(b.EndS)/60
		if n := len(out); n > 0 && kind == k && tree == b.Tree && out[n-1].ToMin >= from-1e-9 {
			out[n-1].ToMin = to
			continue
		}
		if to > from {
			out = append(out, draw.DayBar{FromMin: from, ToMin: to, Kind: k})
			tree, kind = b.Tree, k
		}
	}
	return out
}
