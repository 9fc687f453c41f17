package protect

import (
	"errors"

	"sapward/flow/plume"
)

type Assay struct {
	DayD        float64
	HeightM     float64
	AzimuthDeg  float64
	Metric      plume.Metric
	Value       float64
	Limit       float64
	NotDetected bool
}
type Sampled struct {
	Tree      Tree
	Treatment Treatment
	Assays    []Assay
}
type Posterior struct{}

func CalibrateAll(c Case, known []Sampled, n int, seed uint64, workers int) (*Posterior, error) {
	return nil, errors.New("tmp")
}
func (p *Posterior) DrawsFor(c Case, n int, seed uint64) ([]Draw, error) { return nil, nil }
