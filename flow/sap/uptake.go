package sap

import "math"

// Uptake is a tree that drinks from its ports, as one capacitor (MODEL
// section 5). Water potentials are in MPa, negative in a dry stem.
//
//	C dpsi/dt = G (h - psi) + G_r (psi_soil - psi) - E
type Uptake struct {
	PortsLPerHMPa   float64 // G, conductance of all ports together
	RootsLPerHMPa   float64 // G_r, conductance of roots and soil
	CapacityLPerMPa float64 // C, water released per MPa
	HeadMPa         float64 // h, pressure at the ports above the atmosphere
	SoilMPa         float64 // psi_soil
	StartMPa        float64 // psi at the start
	DemandLPerH     float64 // E, transpiration
}

// Stop says how a search for the uptake time ended.
type Stop string

// How an uptake ended.
const (
	Filled    Stop = "filled"      // the volume has been drunk
	Stalled   Stop = "stalled"     // the tree's tension falls to the head before the volume is drunk
	OutOfTime Stop = "out_of_time" // the time allowed ended first
)

// Drink is the answer of an uptake.
type Drink struct {
	Hours        float64 // time used
	VolumeL      float64 // drunk until then
	PotentialMPa float64 // stem water potential then
	ShareOfSap   float64 // port flow over demand then; +Inf without demand
	Stop         Stop
	Steps        int // Newton or time steps
}

func (u Uptake) check() error {
	return Check(
		Positive("ports_l_h_mpa", u.PortsLPerHMPa), NotNegative("roots_l_h_mpa", u.RootsLPerHMPa), Positive("capacity_l_mpa", u.CapacityLPerMPa),
		Finite("head_mpa", u.HeadMPa), Finite("soil_mpa", u.SoilMPa), Finite("start_mpa", u.StartMPa), NotNegative("demand_l_h", u.DemandLPerH),
	)
}

// Steady returns the potential the stem tends to, in MPa, and the time constant
// in hours:
//
//	psi* = (G h + G_r psi_soil - E)/(G + G_r),  tau = C/(G + G_r)
func (u Uptake) Steady() (potentialMPa, tauH float64) {
	sum := u.PortsLPerHMPa + u.RootsLPerHMPa
	flow := float64(u.PortsLPerHMPa*u.HeadMPa) + float64(u.RootsLPerHMPa*u.SoilMPa) - u.DemandLPerH
	return flow / sum, u.CapacityLPerMPa / sum
}

// Potential returns the stem water potential after some hours, in MPa, with
// constant coefficients.
func (u Uptake) Potential(hours float64) float64 {
	star, tau := u.Steady()
	return star + (u.StartMPa-star)*math.Exp(-hours/tau)
}

// Volume returns what the ports have given after some hours, in L, with
// constant coefficients (MODEL section 5):
//
//	V = G [(h - psi*) t + (psi* - psi0) tau (1 - e^(-t/tau))]
func (u Uptake) Volume(hours float64) float64 {
	star, tau := u.Steady()
	return u.PortsLPerHMPa * (float64((u.HeadMPa-star)*hours) - float64((star-u.StartMPa)*tau)*math.Expm1(-hours/tau))
}

// Hours returns the time in which the ports give a volume in L, with constant
// coefficients, by Newton steps held inside a bracket. A volume the tree cannot
// take ends as Stalled. Errors: an impossible value.
func (u Uptake) Hours(volumeL float64) (Drink, error) {
	if err := u.check(); err != nil {
		return Drink{}, err
	}
	if err := Check(NotNegative("volume_l", volumeL)); err != nil {
		return Drink{}, err
	}
	star, tau := u.Steady()
	lo, hi := 0.0, 0.0
	if u.HeadMPa > star {
		pull := u.HeadMPa - star
		hi = volumeL/(u.PortsLPerHMPa*pull) + max(0, (u.StartMPa-star)*tau/pull)
		if u.StartMPa > u.HeadMPa { // it gives before it takes: begin at the least volume
			lo = tau * math.Log((u.StartMPa-star)/pull)
		}
	} else {
		if u.StartMPa < u.HeadMPa {
			hi = tau * math.Log((star-u.StartMPa)/(star-u.HeadMPa))
			if star == u.HeadMPa {
				hi = 200 * tau
			}
		}
		if u.Volume(hi) < volumeL {
			return u.drink(hi, Stalled, 0), nil
		}
	}
	t, steps := min(max(volumeL/(u.PortsLPerHMPa*max(u.HeadMPa-u.StartMPa, 1e-9)), lo), hi), 0
	for ; steps < 200; steps++ {
		miss := u.Volume(t) - volumeL
		if miss > 0 {
			hi = t
		} else {
			lo = t
		}
		next := t - miss/(u.PortsLPerHMPa*(u.HeadMPa-u.Potential(t)))
		if !(next >= lo && next <= hi) {
			next = lo + (hi-lo)/2
		}
		done := math.Abs(next-t) <= 1e-14*next || hi-lo <= 1e-15*hi
		t = next
		if done {
			break
		}
	}
	return u.drink(t, Filled, steps), nil
}

func (u Uptake) drink(hours float64, stop Stop, steps int) Drink {
	psi := u.Potential(hours)
	return Drink{Hours: hours, VolumeL: u.Volume(hours), PotentialMPa: psi, Stop: stop, Steps: steps,
		ShareOfSap: u.PortsLPerHMPa * (u.HeadMPa - psi) / u.DemandLPerH}
}

// Reality is what changes while a tree drinks (MODEL section 5):
//
//	G(t) = G0 [floor + (1-floor)/(1 + t/t_c)] / (1 + (psi/psi50)^4)
//
// Ports clog within about an hour and embolism lowers the conductance of a dry
// stem; both constants are derived or from memory and wait for calibration.
type Reality struct {
	ClogFloor   float64 // share of conductance that stays open; 1: no clogging
	ClogH       float64 // t_c
	Psi50MPa    float64 // negative; -Inf: no embolism
	DemandLPerH func(hours float64) float64
	StepH       float64 // longest step
	LimitHours  float64 // give up after
}

// TypicalReality returns floor 0.08, t_c 1 h, psi50 -2.5 MPa, steps of 0.05 h
// and at most 240 h. The demand is left constant.
func TypicalReality() Reality {
	return Reality{ClogFloor: 0.08, ClogH: 1, Psi50MPa: -2.5, StepH: 0.05, LimitHours: 240}
}

func (r Reality) check() error {
	return Check(
		Fraction("clog_floor", r.ClogFloor), Positive("clog_h", r.ClogH),
		Need{"psi50_mpa", r.Psi50MPa, r.Psi50MPa < 0, "below 0"},
		Positive("step_h", r.StepH), Positive("limit_h", r.LimitHours),
	)
}

// open returns the share of the ports' conductance left after some hours at a
// potential.
func (r Reality) open(hours, psi float64) float64 {
	ratio := max(0, psi/r.Psi50MPa)
	return (r.ClogFloor + (1-r.ClogFloor)/(1+hours/r.ClogH)) / (1 + math.Pow(ratio, 4))
}

// Drinks returns the time in which the ports give a volume in L while they clog,
// the stem embolises and the demand changes. Each step is the constant solution
// with coefficients from its middle, so it is of second order, stable at any
// step, and exact where nothing changes. Errors: an impossible value.
func (u Uptake) Drinks(volumeL float64, r Reality) (Drink, error) {
	if err := u.check(); err != nil {
		return Drink{}, err
	}
	if err := r.check(); err != nil {
		return Drink{}, err
	}
	if err := Check(NotNegative("volume_l", volumeL)); err != nil {
		return Drink{}, err
	}
	at := func(hours, psi float64) Uptake {
		now := u
		now.StartMPa = psi
		now.PortsLPerHMPa = u.PortsLPerHMPa * r.open(hours, psi)
		if r.DemandLPerH != nil {
			now.DemandLPerH = r.DemandLPerH(hours)
		}
		return now
	}
	var t, drunk float64
	psi := u.StartMPa
	step := r.StepH
	if rate := u.PortsLPerHMPa * (u.HeadMPa - psi) * r.open(0, psi); rate > 0 {
		step = min(step, max(volumeL/rate/20, 1e-7)) // small fills: twenty steps
	}
	for n := 1; ; n++ {
		dt := min(step, r.LimitHours-t)
		middle := at(t+dt/2, at(t, psi).Potential(dt/2))
		middle.StartMPa = psi
		if err := Check(NotNegative("demand_l_h", middle.DemandLPerH)); err != nil {
			return Drink{}, err
		}
		gain := middle.Volume(dt)
		if drunk+gain >= volumeL {
			last, err := middle.Hours(volumeL - drunk)
			if err != nil {
				return Drink{}, err
			}
			last.Hours, last.VolumeL, last.Steps = t+min(last.Hours, dt), volumeL, n
			return last, nil
		}
		drunk, psi, t = drunk+gain, middle.Potential(dt), t+dt
		if t >= r.LimitHours {
			end := at(t, psi).drink(0, OutOfTime, n)
			end.Hours, end.VolumeL = t, drunk
			return end, nil
		}
		step = min(r.StepH, step*1.1)
	}
}

// DaylightDemand returns the demand in L/h, by hours after a start at a clock
// hour, of a tree that transpires a daily volume as half a sine wave between
// sunrise and sunset, in clock hours (MODEL 1.1), and nothing at night.
// Errors: negative volume, sunset not after sunrise, hours outside 0..24.
func DaylightDemand(dailyL, sunriseH, sunsetH, startH float64) (func(hours float64) float64, error) {
	err := Check(NotNegative("daily_l", dailyL),
		Need{"sunrise_h", sunriseH, sunriseH >= 0 && sunriseH < sunsetH, "0 or more and before sunset"},
		Need{"sunset_h", sunsetH, sunsetH <= 24, "24 or less"},
		Need{"start_h", startH, startH >= 0 && startH <= 24, "from 0 to 24"})
	if err != nil {
		return nil, err
	}
	length := sunsetH - sunriseH
	return func(hours float64) float64 {
		clock := math.Mod(startH+hours, 24)
		if clock <= sunriseH || clock >= sunsetH {
			return 0
		}
		return dailyL * math.Pi / (2 * length) * math.Sin(math.Pi*(clock-sunriseH)/length)
	}, nil
}
