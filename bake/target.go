package bake

// targetRow is one row of the published table of rise at the end of bulk.
type targetRow struct{ doughC, risePercent float64 }

// targetRows is the rise at the end of bulk of a sourdough going on to a cold
// retard, by dough temperature.
// Source: T. Cucuzza, table of January 2023 (65, 70, 75 and 80 F); the 80 F
// row is attributed there to C. Robertson.
func targetRows() []targetRow {
	return []targetRow{{18.33, 100}, {21.11, 75}, {23.89, 50}, {26.67, 30}}
}

// TargetForRetard gives the rise in percent at which a dough of this
// temperature goes into the cold, straight between the rows of the published
// table. known is false outside 18.33 to 26.67 C, where the nearest row is
// given.
func TargetForRetard(doughC float64) (risePercent float64, known bool) {
	rows := targetRows()
	last := rows[len(rows)-1]
	switch {
	case doughC < rows[0].doughC:
		return rows[0].risePercent, false
	case doughC > last.doughC:
		return last.risePercent, false
	}
	for i := 1; i < len(rows); i++ {
		a, b := rows[i-1], rows[i]
		if doughC <= b.doughC {
			share := (doughC - a.doughC) / (b.doughC - a.doughC)
			return a.risePercent + share*(b.risePercent-a.risePercent), true
		}
	}
	return rows[0].risePercent, false // NaN: no comparison holds
}
