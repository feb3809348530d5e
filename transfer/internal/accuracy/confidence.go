package main

// How well a confidence tells right rows from wrong ones.

import (
	"math"
	"slices"
)

const (
	// wrongL1 is the L1 distance to the truth above which a row counts as wrong.
	wrongL1 = 0.2
	// sure is the confidence above which a row would not be looked at.
	sure = 0.9
)

// auroc is the probability that a wrong row has a lower confidence than a right
// one, ties counting half: the area under the receiver operating characteristic.
// ok is false where all rows are right or all are wrong. O(n log n).
// Source: Hanley & McNeil, "The Meaning and Use of the Area under a Receiver
// Operating Characteristic (ROC) Curve", Radiology 143, 1982: it equals the
// Mann-Whitney U statistic over the number of pairs.
func auroc(confidence []float64, wrong []bool) (area float64, ok bool) {
	order := make([]int, len(confidence))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case confidence[a] < confidence[b]:
			return -1
		case confidence[a] > confidence[b]:
			return 1
		}
		return 0
	})
	var u, rightsBelow, wrongs float64
	for i := 0; i < len(order); {
		var w, r float64
		k := i
		for ; k < len(order) && confidence[order[k]] == confidence[order[i]]; k++ {
			if wrong[order[k]] {
				w++
			} else {
				r++
			}
		}
		u += w * (rightsBelow + r/2)
		wrongs += w
		rightsBelow += r
		i = k
	}
	if wrongs == 0 || rightsBelow == 0 {
		return 0, false
	}
	return 1 - u/(wrongs*rightsBelow), true
}

// bin is a row of the reliability table: the vertices with a confidence in
// [From, From+0.1), the last bin with 1.
type bin struct {
	From      float64 `json:"from"`
	Vertices  int     `json:"vertices"`
	Predicted float64 `json:"predicted"` // mean of -0.4 ln c, at most 2
	Measured  float64 `json:"measured"`  // mean L1
}

func reliability(confidence, l1 []float64) []bin {
	bins := make([]bin, 10)
	for k := range bins {
		bins[k].From = float64(k) / 10
	}
	for v, c := range confidence {
		b := &bins[min(9, max(0, int(10*c)))]
		b.Vertices++
		b.Predicted += min(2, -0.4*math.Log(c))
		b.Measured += l1[v]
	}
	for k := range bins {
		if n := float64(bins[k].Vertices); n > 0 {
			bins[k].Predicted /= n
			bins[k].Measured /= n
		}
	}
	return bins
}

// wrongAmongSure is the share of wrong rows among those with a confidence above
// sure; ok is false where there are none.
func wrongAmongSure(confidence []float64, wrong []bool) (share float64, ok bool) {
	n, bad := 0, 0
	for v, c := range confidence {
		if c > sure {
			n++
			if wrong[v] {
				bad++
			}
		}
	}
	return float64(bad) / float64(max(1, n)), n > 0
}
