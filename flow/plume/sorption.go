package plume

import (
	"math"

	"sapward/flow/sap"
)

// Partition returns the wood-water partition coefficient K in L/kg from log Kow
// by the oak regression of Trapp et al. (2001, Environ. Sci. Technol. 35:1561):
//
//	log K = -0.27 (+-0.25) + 0.632 (+-0.063) log Kow   (r 0.90, n 27)
//
// Below log Kow 1.48 or above 6.20 it is an extrapolation and warns
// (PartitionExtrapolated, else nil). The basis, dry or wet wood, is not settled.
// Error: log Kow that is not finite.
func Partition(logKow float64) (float64, *sap.Warning, error) {
	if err := sap.Check(sap.Finite("log_kow", logKow)); err != nil {
		return 0, nil, err
	}
	k := math.Pow(10, -0.27+0.632*logKow)
	switch {
	case logKow < 1.48:
		return k, &sap.Warning{Code: PartitionExtrapolated, Value: logKow, Limit: 1.48, Count: 1}, nil
	case logKow > 6.20:
		return k, &sap.Warning{Code: PartitionExtrapolated, Value: logKow, Limit: 6.20, Count: 1}, nil
	}
	return k, nil, nil
}

// Retardation returns Rbar = 1 + f_acc rho_b K/theta + R_im (MODEL section 3)
// for dry density in kg/m3, K in L/kg, water fraction theta, access f_acc and
// immobile storage R_im. Errors: a negative value, theta not in (0, 1].
func Retardation(dryDensityKgPerM3, partitionLPerKg, waterFraction, access, immobile float64) (float64, error) {
	err := sap.Check(sap.NotNegative("dry_density_kg_m3", dryDensityKgPerM3), sap.NotNegative("wood_water_l_kg", partitionLPerKg),
		sap.NotNegative("access", access), sap.NotNegative("immobile_storage", immobile),
		sap.Need{Field: "water_fraction", Value: waterFraction, OK: waterFraction > 0 && waterFraction <= 1, Needs: "above 0 and at most 1"})
	if err != nil {
		return 0, err
	}
	return 1 + access*dryDensityKgPerM3/1000*partitionLPerKg/waterFraction + immobile, nil
}
