package figure

// The slips by which a figure is said wrongly, as far as they can be told from the digits. They help the specialist say it
// again; nothing is decided by them.
const (
	Transposed = "transposed" // two neighbouring digits have changed places
	Tenfold    = "tenfold"    // ten, a hundred or a thousand times too large or too small
	OneDigit   = "one-digit"  // a single digit is another
)

// Slip names how a figure said differs from the one shown, in the same unit; "" if it is none of these.
func Slip(shown, said Figure) string {
	if shown.Unit != said.Unit || shown.Last == said.Last {
		return ""
	}
	a, b := abs(shown.Last), abs(said.Last)
	for power := int64(10); power <= 1000; power *= 10 {
		if a*power == b || b*power == a {
			return Tenfold
		}
	}
	var differ []int
	var left, right []int64
	for place := 0; a > 0 || b > 0; place++ {
		if a%10 != b%10 {
			differ = append(differ, place)
			left, right = append(left, a%10), append(right, b%10)
		}
		a, b = a/10, b/10
	}
	switch {
	case len(differ) == 1:
		return OneDigit
	case len(differ) == 2 && differ[1] == differ[0]+1 && left[0] == right[1] && left[1] == right[0]:
		return Transposed
	}
	return ""
}

func abs(n int64) int64 { return max(n, -n) }
