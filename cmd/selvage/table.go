package main

import (
	"fmt"
	"io"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/selvage/selvage/transfer"
)

// writeSummaries prints the summary table and, below it, what was found.
// Colours only on a terminal.
func writeSummaries(w io.Writer, list []transfer.Summary) {
	colour := isTerminal(w)
	t := table.NewWriter()
	t.SetOutputMirror(w)
	t.SetStyle(table.StyleLight)
	t.Style().Format.Header = text.FormatDefault
	t.AppendHeader(table.Row{"garment", "vertices", "matched", "filled", "rigid", "loose", "low confidence", "largest distance", "time"})
	for _, s := range list {
		low := fmt.Sprintf("%d (%.1f%%)", s.LowConfidence, percent(s.LowConfidence, s.Vertices))
		if colour && s.LowConfidence > 0 {
			low = text.FgYellow.Sprint(low)
		}
		t.AppendRow(table.Row{
			printable(s.Garment), s.Vertices, s.Matched, s.Filled, s.Rigid, s.Loose, low,
			fmt.Sprintf("%.1f cm", 100*s.MaxDistance), fmt.Sprintf("%.2f s", s.Total.Seconds()),
		})
	}
	var columns []table.ColumnConfig
	for n := 2; n <= 9; n++ {
		columns = append(columns, table.ColumnConfig{Number: n, Align: text.AlignRight})
	}
	t.SetColumnConfigs(columns)
	t.Render()
	for _, s := range list {
		for _, n := range s.Notes {
			fmt.Fprintf(w, "%s: %s\n", printable(s.Garment), printable(n))
		}
		writeJointMap(w, &s)
		for _, o := range s.Offsets {
			what := "reported only"
			if o.Corrected {
				what = "corrected for matching"
			}
			size := ""
			if o.Scale > 0 {
				size = fmt.Sprintf(", %.3f times as large", o.Scale)
			}
			fmt.Fprintf(w, "%s: default poses disagree at joint %s: turned by %.1f degrees, shifted by %.1f cm%s (%s)\n", printable(s.Garment), printable(o.Joint), o.Degrees, 100*o.Shift, size, what)
		}
		if from := s.FromWhere(); from != "" {
			fmt.Fprintf(w, "%s: taken from: %s\n", printable(s.Garment), printable(from))
		}
		if len(s.Reasons) > 0 {
			fmt.Fprintf(w, "%s: reasons:", printable(s.Garment))
			first := true
			for _, name := range transfer.ReasonNames {
				if n := s.Reasons[name]; n > 0 {
					if !first {
						fmt.Fprint(w, ",")
					}
					fmt.Fprintf(w, " %s %d", name, n)
					first = false
				}
			}
			fmt.Fprintln(w)
		}
	}
}

// jointMapRows is the number of lines of a joint map that the terminal shows.
const jointMapRows = 40

// writeJointMap prints the lines of the joint map that carry weight or are doubtful,
// but for joints that keep their name and place.
func writeJointMap(w io.Writer, s *transfer.Summary) {
	t := newTable(w, []string{"joint of the body", "goes to", "how", "apart", "weight", "doubt"}, 1, 2, 3, 6)
	rows := 0
	for _, l := range s.JointMap {
		if l.Doubt == "" && (l.Weight == 0 || l.How == transfer.MappedByName) {
			continue
		}
		if rows++; rows <= jointMapRows {
			t.AppendRow(table.Row{printable(l.Joint), printable(l.To), l.How, fmt.Sprintf("%.1f cm", 100*l.Distance), fmt.Sprintf("%.2f%%", 100*l.Weight), printable(l.Doubt)})
		}
	}
	if rows > 0 {
		fmt.Fprintf(w, "%s: joint map\n", printable(s.Garment))
		t.Render()
	}
	if rows > jointMapRows {
		fmt.Fprintf(w, "%s: and %d more lines; --json lists all\n", printable(s.Garment), rows-jointMapRows)
	}
}

func percent(part, whole int) float64 {
	if whole == 0 {
		return 0
	}
	return 100 * float64(part) / float64(whole)
}
