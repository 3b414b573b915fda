package dispatch

import "time"

// ErlangC is the chance that a caller finds all of n servers taken, when calls come at random, last exponentially long
// and wait in one line (Erlang, 1917). load is the offered load in erlangs: arrivals in the time that one takes. It is 1
// from a load of n on, where the line grows without end, and 0 for no load. n below 1 counts as no server.
//
// The recurrence for Erlang's B never leaves 0…1, so that it neither overflows nor loses figures at any n.
func ErlangC(n int, load float64) float64 {
	switch {
	case !(load > 0):
		return 0
	case n < 1, load >= float64(n):
		return 1
	}
	b := 1.0
	for i := 1; i <= n; i++ {
		b = load * b / (float64(i) + load*b)
	}
	return float64(n) * b / (float64(n) - load*(1-b))
}

// ErlangWait is the mean wait over all callers, also those who need not wait, when each takes so long on average. It is
// for a load below n only.
func ErlangWait(n int, load float64, each time.Duration) time.Duration {
	return time.Duration(ErlangC(n, load) * float64(each) / (float64(n) - load))
}
