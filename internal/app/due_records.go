package app

import (
	"context"
	"time"

	"github.com/gowebpki/jcs"

	"sapward/apply/record"
	"sapward/measure/civil"
)

// dueRecords are the deadlines of the application records of a block: by when a
// record must be complete, which goes when it is, and by when something must be
// done outside this program (report, copy, display, electronic form), which goes
// some time after its day. A deadline whose day cannot be told is left to the
// record's own page.
func (a *App) dueRecords(ctx context.Context, b BlockLine, zone *time.Location) (items []DueItem, outside []bool, err error) {
	kept, err := list[RecordFacts](ctx, a.Store, Query{Type: TypeRecord, Parent: b.ID})
	if err != nil {
		return nil, nil, err
	}
	for _, k := range kept {
		r, err := record.Read(k.Facts.Record, jcs.Transform)
		if err != nil || len(r.Versions) == 0 {
			continue // the record's page and the check say what is wrong with it
		}
		c := &r.Versions[len(r.Versions)-1].Content
		for _, d := range record.Dues(c, recordZones) {
			item := DueItem{Kind: "record-" + d.What, Block: b.ID, Name: b.Facts.Name, Ref: k.ID, Treatment: d.Profile}
			switch {
			case !d.At.IsZero():
				at := d.At.In(zone)
				item.On, item.At = civil.Of(at).String(), at.Format(time.RFC3339)
			case !d.Day.IsZero():
				item.On = d.Day.String()
			case d.AtOnce && !record.WorkedOut(c, recordZones).EndDay.IsZero():
				item.On = record.WorkedOut(c, recordZones).EndDay.String()
			default:
				continue
			}
			if p, known := record.ProfileByID(d.Profile); d.What == "record" && known && record.Meets(c, p) {
				continue
			}
			items, outside = append(items, item), append(outside, d.What != "record")
		}
	}
	return items, outside, nil
}
