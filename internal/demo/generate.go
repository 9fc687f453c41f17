// Package demo holds the files of an invented estate: a town avenue of elms
// facing a wilt and a block of sweet chestnuts facing a root disease. Nothing
// in it exists; no other code knows it, and its plans go the way of anyone's
// files.
package demo

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
)

// Seed is the seed of the invented estate.
const Seed = 20260603

// invented is the line that every file of the estate carries.
const invented = "# Invented for Sapward's demo: no such estate, tree, product or person exists.\n"

// Generate returns the estate's files by name. The same seed gives the same
// bytes (PCG generator, seed words seed and 1).
func Generate(seed uint64) map[string][]byte {
	rng := rand.New(rand.NewPCG(seed, 1))
	files := map[string][]byte{}
	for name, text := range map[string]string{
		"README.txt":         readme,
		"commands.txt":       commands,
		"avenue/card.yaml":   "# Invented for Sapward's demo: no such product exists.\n" + cardA,
		"avenue/climate.csv": invented + climate,
		"avenue/day.yaml":    finishedDay,
		"avenue/assays.csv":  invented + assays,
		"chestnut/card.yaml": "# Invented for Sapward's demo: no such product exists.\n" + cardB,
	} {
		files[name] = []byte(text)
	}
	elms := avenue(rng)
	files["avenue/trees.csv"] = elms.trees()
	files["avenue/tape.csv"] = elms.tape(rng)
	files["avenue/wounds.csv"] = elms.wounds(rng)
	files["avenue/obstacles.csv"] = elms.obstacles(rng)
	files["avenue/limbs.csv"] = elms.limbs(rng)
	files["avenue/history.csv"] = elms.history()
	files["chestnut/trees.csv"] = chestnuts(rng)
	files["avenue/forecast.csv"] = forecast(rng)
	followUp(rand.New(rand.NewPCG(seed, 2)), files)
	return files
}

// elm is one tree of the avenue.
type elm struct {
	tag            string
	diameter, x, y float64
	height, crown  float64
	bark           float64
	flare          float64 // girth, cm; 0 not taped
	status         string
	loss           int
	woundYears     []int
}

type elms []elm

// avenue plants 164 elms in two rows, 7.5 m apart over 607.5 m of road, the
// rows 19.5 m apart: about 1.2 ha.
func avenue(rng *rand.Rand) elms {
	var out elms
	for side := range 2 {
		for i := range 82 {
			e := elm{tag: fmt.Sprintf("%c%03d", 'E'+side, i+1), x: 7.5 * float64(i), y: 19.5 * float64(side)}
			e.x += round1(rng.NormFloat64() * 0.3)
			e.y += round1(rng.NormFloat64() * 0.2)
			e.diameter = round1(math.Min(72, math.Max(17, 37.5*math.Exp(0.21*rng.NormFloat64()))))
			e.height = round1(4 + 0.36*e.diameter + rng.NormFloat64())
			e.crown = round1(2.2 + 0.17*e.diameter + 0.6*rng.NormFloat64())
			e.bark = round1(9 + 0.16*e.diameter + rng.NormFloat64())
			e.status, e.loss = "healthy", rng.IntN(6)
			out = append(out, e)
		}
	}
	for i := range out {
		e := &out[i]
		if rng.IntN(5) == 0 { // flares taped on every fifth trunk or so
			e.flare = round1(math.Pi * e.diameter * (1.12 + 0.12*rng.Float64()))
		}
		if rng.IntN(7) == 0 { // treated in an earlier season, holes still there
			e.woundYears = append(e.woundYears, 2024)
			if rng.IntN(3) == 0 {
				e.woundYears = append(e.woundYears, 2025)
			}
		}
	}
	// Trees to learn from: a young replacement, one far gone, suspects near it.
	out[17].diameter, out[17].height, out[17].crown, out[17].bark, out[17].flare, out[17].woundYears = 8.6, 5.2, 2.1, 6.5, 0, nil
	out[101].status, out[101].loss = "symptomatic", 35
	for _, k := range []int{99, 100, 102, 103} {
		out[k].status, out[k].loss = "suspect", 6+rng.IntN(4)
	}
	return out
}

func (es elms) trees() []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,species,wood,diameter_cm,measured_at_m,flare_girth_cm,bark_mm,height_m,crown_m,status,rating_pct,x_m,y_m\n")
	for _, e := range es {
		fmt.Fprintf(&b, "%s,Ulmus minor,ring-porous,%.1f,1.37,%s,%.1f,%.1f,%.1f,%s,%d,%.1f,%.1f\n",
			e.tag, e.diameter, orBlank(e.flare), e.bark, e.height, e.crown, e.status, e.loss, e.x, e.y)
	}
	return b.Bytes()
}

// tape is the habit of the trade: ten trunks out of the block.
func (es elms) tape(rng *rand.Rand) []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,species,wood,girth_cm,measured_at_m,status,rating_pct\n")
	taped := 0
	picked := map[int]bool{}
	for taped < 10 {
		k := rng.IntN(len(es))
		if picked[k] || es[k].diameter < 15 || es[k].status != "healthy" {
			continue
		}
		picked[k] = true
		taped++
	}
	for k, e := range es {
		if picked[k] {
			fmt.Fprintf(&b, "%s,Ulmus minor,ring-porous,%.1f,1.37,%s,%d\n", e.tag, math.Pi*e.diameter, e.status, e.loss)
		}
	}
	return b.Bytes()
}

func (es elms) wounds(rng *rand.Rand) []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,azimuth_deg,height_cm,year,closed,hole_mm\n")
	for _, e := range es {
		for _, year := range e.woundYears {
			n := int(math.Ceil(math.Pi * e.diameter / 30)) // every 30 cm of girth
			first := rng.Float64() * 360 / float64(n)
			for k := range n {
				closed := "no"
				if year == 2024 && rng.IntN(3) > 0 {
					closed = "yes"
				}
				fmt.Fprintf(&b, "%s,%.0f,%d,%d,%s,6\n", e.tag, math.Floor(first+360*float64(k)/float64(n)), 8+rng.IntN(5), year, closed)
			}
		}
	}
	return b.Bytes()
}

func (es elms) obstacles(rng *rand.Rand) []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,from_deg,to_deg,kind\n")
	kinds := []string{"included bark", "crack", "canker", "pipe"}
	for _, e := range es {
		if rng.IntN(12) == 0 {
			from := rng.IntN(360)
			fmt.Fprintf(&b, "%s,%d,%d,%s\n", e.tag, from, (from+10+rng.IntN(25))%360, kinds[rng.IntN(len(kinds))])
		}
	}
	return b.Bytes()
}

func (es elms) limbs(rng *rand.Rand) []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,limb,azimuth_deg,height_m,diameter_cm\n")
	for _, e := range es {
		if e.diameter < 55 {
			continue
		}
		for k := range 3 {
			fmt.Fprintf(&b, "%s,L%d,%d,%.1f,%.1f\n", e.tag, k+1, (k*120+rng.IntN(50))%360, 3+0.4*rng.Float64(), e.diameter*(0.32+0.08*rng.Float64()))
		}
	}
	return b.Bytes()
}

func (es elms) history() []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,product,active,active_g,date_end,block,area_ha,method\n")
	for _, e := range es {
		for _, year := range e.woundYears {
			if year != 2025 {
				continue
			}
			day := "2025-06-11"
			if e.tag[0] == 'F' { // treated late on the other side: too soon for this June
				day = "2025-08-20"
			}
			fmt.Fprintf(&b, "%s,Invented Product A,invented active a,%.1f,%s,avenue,1.2,injection\n", e.tag, 0.6*e.diameter, day)
		}
	}
	return b.Bytes()
}

// chestnuts is a bearing block of 96 sweet chestnuts on 2.4 ha, planted 10 m
// by 25 m (2.4 ha = 96 times 250 m2).
func chestnuts(rng *rand.Rand) []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("tree,species,wood,diameter_cm,measured_at_m,crown_m,height_m,status,rating_pct,bearing,x_m,y_m\n")
	for row := range 8 {
		for k := range 12 {
			d := round1(math.Min(60, math.Max(18, 31*math.Exp(0.16*rng.NormFloat64()))))
			fmt.Fprintf(&b, "C%d-%02d,Castanea sativa,ring-porous,%.1f,1.30,%.1f,%.1f,healthy,%d,yes,%d.0,%d.0\n",
				row+1, k+1, d, round1(3+0.13*d+0.4*rng.NormFloat64()), round1(3+0.25*d+0.5*rng.NormFloat64()), rng.IntN(9), 10*k, 25*row)
		}
	}
	return b.Bytes()
}

// forecast is five invented days of hourly weather round the day of work, the
// third of them wet.
func forecast(rng *rand.Rand) []byte {
	var b bytes.Buffer
	b.WriteString(invented)
	b.WriteString("time,temp_c,rh_pct,wind_ms,solar_mj_m2,rain_mm\n")
	for day := range 5 {
		warm, wet := 17+2*rng.Float64(), day == 2
		for h := range 24 {
			sun := math.Max(0, math.Sin(math.Pi*(float64(h)+0.5-5.5)/15)) // light from 5:30 to 20:30
			if h < 5 || h > 20 {
				sun = 0
			}
			temp := warm + 6.5*math.Sin(2*math.Pi*(float64(h)-9)/24)
			hum := 68 - 22*math.Sin(2*math.Pi*(float64(h)-9)/24)
			solar, rain := 3.1*sun, 0.0
			if wet {
				temp, hum, solar = temp-4, math.Min(98, hum+22), solar*0.35
				if h >= 7 && h <= 14 {
					rain = round1(0.4 + rng.Float64())
				}
			}
			fmt.Fprintf(&b, "2026-06-%02dT%02d:00+02:00,%.1f,%.0f,%.1f,%.2f,%.1f\n", 16+day, h, temp, hum, 0.8+1.6*sun+0.4*rng.Float64(), solar, rain)
		}
	}
	return b.Bytes()
}

func round1(x float64) float64 { return math.Round(x*10) / 10 }

func orBlank(x float64) string {
	if x == 0 {
		return ""
	}
	return fmt.Sprintf("%.1f", x)
}
