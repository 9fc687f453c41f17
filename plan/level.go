package plan

import (
	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// levelOf reads low, target, high, or a rate inside the card's range in the
// rate's own unit, such as "3 mL/cm".
func levelOf(text string, u label.Use) (dose.Level, *finding.Fault) {
	switch text {
	case "", "target":
		return dose.Target, nil
	case "low":
		return dose.Level{}, nil
	case "high":
		return dose.Level{Share: exact.Int(1)}, nil
	}
	if !u.Rate.Known {
		return dose.Level{}, &finding.Fault{Class: finding.Usage, ID: "level-no-rate", Args: finding.Args{"text": finding.Text(text)}}
	}
	r := u.Rate.Value
	v, fault := rateOf(text, r)
	if fault != nil {
		fault.Class, fault.Where = finding.Usage, finding.Where{File: "--level"}
		return dose.Level{}, fault
	}
	if r.Per == label.PerBand || len(r.Classes) > 0 || v.Less(r.Low) && !r.Single || r.High.Less(v) || v.Sign() <= 0 {
		return dose.Level{}, &finding.Fault{Class: finding.Usage, ID: "level-outside", Args: finding.Args{
			"text": finding.Text(text), "low": finding.Text(label.RateShown(r.Per, r.Active, r.Low)), "high": finding.Text(label.RateShown(r.Per, r.Active, r.High)),
		}}
	}
	return dose.Level{Rate: q.Known(v)}, nil
}

// rateOf parses a rate in the base unit of a rate form.
func rateOf(text string, r label.Rate) (exact.Rat, *finding.Fault) {
	switch r.Per {
	case label.PerDiameter, label.PerGirth, label.PerCanopyDiameter:
		if r.Active {
			return base[q.MassPerLengthKind](text)
		}
		return base[q.VolumePerLengthKind](text)
	case label.PerCanopyVolume:
		if r.Active {
			return base[q.DensityKind](text)
		}
		return base[q.VolumePerVolumeKind](text)
	case label.PerBasalArea:
		if r.Active {
			return base[q.MassPerAreaKind](text)
		}
		return base[q.VolumePerAreaKind](text)
	}
	if r.Active {
		return base[q.MassKind](text)
	}
	return base[q.VolumeKind](text)
}

func base[K q.Kind](text string) (exact.Rat, *finding.Fault) {
	v, fault := q.Parse[K](text)
	return v.Base(), fault
}
