package bake

import (
	"math"

	"tidemark/estimator"
)

// TargetForRetard gives the rise in percent at which a dough of this
// temperature goes on to a cold retard, by the published table
// (estimator.CommonTargets: T. Cucuzza, January 2023). known is false outside
// the table's 18.3 to 26.7 C, where its nearest row is given, and for a
// temperature that is not known.
func TargetForRetard(doughC float64) (risePercent float64, known bool) {
	table := estimator.CommonTargets()
	first, last := table[0], table[len(table)-1]
	if math.IsNaN(doughC) {
		return first.RisePercent, false
	}
	return table.At(doughC), doughC >= first.DoughC && doughC <= last.DoughC
}
