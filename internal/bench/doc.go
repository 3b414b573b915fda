// Package bench measures the service against what the same machine does without it, and says which goals are met.
// `make bench` runs it and prints one table.
//
// What a machine does in a second varies by a factor of two from one minute to the next. So nothing here is a figure by
// itself: all ways of one comparison take part in every round, in another order each time, after a round that does not
// count, and what is judged is the median of the rounds' ratios. Their range stands beside it. How busy other programs
// kept the processors meanwhile is printed too.
//
// The measurements are tests of this package. Without the flag -long, as in `make test`, they run for an instant each,
// which shows that they work and measures nothing.
package bench
