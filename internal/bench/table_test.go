package bench

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
)

// goal is a figure and what it should be.
type goal struct {
	id    string
	no    string // of the comparison
	what  string
	most  bool    // the limit is the most that meets the goal, else the least
	limit float64 // NaN: none, for information
	verb  string  // of the figure
}

var none = math.NaN()

var goals = []goal{
	{"at-1000", "1", "appends, 1000 in flight ÷ pgbench, 64 clients", false, 3, "%.2f"},
	{"at-64", "1", "appends, 64 in flight ÷ pgbench, 64 clients", false, 1.2, "%.2f"},
	{"at-1000-single", "1", "appends, 1000 in flight ÷ a transaction each", false, none, "%.1f"},
	{"at-1000-trip", "1", "appends, 1000 in flight ÷ the same in one round trip", false, none, "%.1f"},
	{"at-64-single", "1", "appends, 64 in flight ÷ a transaction each", false, none, "%.1f"},
	{"ws-memory", "2", "websocket to websocket ÷ the same without database", false, 0.5, "%.2f"},
	{"ws-single", "2", "websocket to websocket ÷ a transaction each", false, 10, "%.1f"},
	{"p99", "3", "p99 of an append ÷ p99 of a bare commit", true, 2, "%.2f"},
	{"p99-ws", "3", "p99 websocket to websocket ÷ p99 of a bare commit", true, none, "%.2f"},
	{"cpu-ws", "4", "PostgreSQL CPU a message ÷ a transaction each, by websocket", true, 0.1, "%.3f"},
	{"cpu-append", "4", "PostgreSQL CPU an append, 1000 in flight ÷ a transaction each", true, 0.1, "%.3f"},
	{"gonum", "9", "an adjustment through gonum ÷ ours", false, 4, "%.1f"},
	{"allocations", "9", "allocations of an adjustment", true, 0, "%.0f"},
	{"check", "9", "whole check of a decoded case, µs", true, 50, "%.1f"},
	{"start", "10", "first start of the database ÷ plain initdb and start", true, 1.3, "%.2f"},
	{"serve", "10", "first start until requests are answered ÷ the same", true, 1.3, "%.2f"},
}

// figure is what the rounds gave.
type figure struct{ rounds []float64 }

// book is what was found.
type book struct {
	instant bool              // nothing is long enough to be judged
	found   map[string]figure // by the goal's id
	notes   []string
}

func (b *book) put(id string, rounds []float64) {
	if b.found == nil {
		b.found = map[string]figure{}
	}
	b.found[id] = figure{rounds}
}

func (b *book) note(format string, args ...any) {
	b.notes = append(b.notes, fmt.Sprintf(format, args...))
}

func (g goal) meets(v float64) bool {
	if g.most {
		return v <= g.limit
	}
	return v >= g.limit
}

// judge says whether the median meets the goal, and in how many rounds it was otherwise.
func (g goal) judge(f figure) string {
	switch {
	case math.IsNaN(g.limit):
		return ""
	case len(f.rounds) == 0 || math.IsNaN(median(f.rounds)):
		return "not measured"
	}
	verdict, otherwise := "met", 0
	if !g.meets(median(f.rounds)) {
		verdict = "not met"
	}
	for _, v := range f.rounds {
		if g.meets(v) != (verdict == "met") {
			otherwise++
		}
	}
	if otherwise > 0 {
		verdict += fmt.Sprintf(", otherwise in %d of %d rounds", otherwise, len(f.rounds))
	}
	return verdict
}

func (g goal) wants() string {
	if math.IsNaN(g.limit) {
		return ""
	}
	sign := "≥"
	if g.most {
		sign = "≤"
	}
	return fmt.Sprintf("%s %g", sign, g.limit)
}

// print writes the table, what was measured beside it, and how busy the machine was.
func (b *book) print(to io.Writer, before, after moment) error {
	var out strings.Builder
	w := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	out.WriteString("\n" + after.since(before))
	fmt.Fprintln(w, "\n#\tfigure\tmedian\trange\tgoal\t")
	for _, g := range goals {
		f := b.found[g.id]
		mid, span := "", ""
		if len(f.rounds) > 0 {
			mid = fmt.Sprintf(g.verb, median(f.rounds))
			span = fmt.Sprintf(g.verb+"–"+g.verb, slices.Min(f.rounds), slices.Max(f.rounds))
		}
		verdict := g.judge(f)
		if b.instant && g.wants() != "" {
			verdict = "not measured"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", g.no, g.what, mid, span, g.wants(), verdict)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	out.WriteString("\nThe ratios are those of rounds, all ways in each. Single figures of this run, with their ranges:\n")
	for _, n := range b.notes {
		out.WriteString("  " + n + "\n")
	}
	_, err := io.WriteString(to, out.String())
	return err
}

func ratios(a, b []float64) []float64 {
	r := make([]float64, len(a))
	for i := range a {
		r[i] = a[i] / b[i]
	}
	return r
}

func median(v []float64) float64 { return quantile(v, 0.5) }

func quantile(v []float64, q float64) float64 {
	s := slices.Sorted(slices.Values(v))
	return s[min(int(q*float64(len(s))), len(s)-1)]
}

// spread is the median with the range.
func spread(v []float64, verb string) string {
	return fmt.Sprintf(verb+" ("+verb+"–"+verb+")", median(v), slices.Min(v), slices.Max(v))
}
