package demo

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// width is the room of a line of the tale, in columns.
const width = 80

// tale prints the story as it happens: who, then what, in lines of at most 80 columns.
type tale struct {
	out   io.Writer
	lines int
}

// say prints one line; what is too long is carried on under itself.
func (t *tale) say(who, format string, args ...any) {
	head := fmt.Sprintf("%-5s ", who)
	for i, line := range wrap(fmt.Sprintf(format, args...), width-len(head)) {
		if i > 0 {
			head = strings.Repeat(" ", len(head))
		}
		fmt.Fprintln(t.out, strings.TrimRight(head+line, " "))
		t.lines++
	}
}

// plain prints a line without a speaker.
func (t *tale) plain(format string, args ...any) {
	for _, line := range wrap(fmt.Sprintf(format, args...), width) {
		fmt.Fprintln(t.out, line)
		t.lines++
	}
}

// wrap breaks text at spaces.
func wrap(text string, room int) []string {
	var lines []string
	for utf8.RuneCountInString(text) > room {
		cut := strings.LastIndexByte(string([]rune(text)[:room+1]), ' ')
		if cut <= 0 {
			break
		}
		lines = append(lines, text[:cut])
		text = text[cut+1:]
	}
	return append(lines, text)
}

// mm writes micrometres as millimetres with one decimal.
func mm(um int64) string { return fmt.Sprintf("%.1f mm", float64(um)/1000) }

// sided writes a signed amount, left positive, with its side in words.
func sided(um int64, positive, negative string) string {
	switch {
	case um > 0:
		return mm(um) + " " + positive
	case um < 0:
		return mm(-um) + " " + negative
	}
	return "0 mm"
}

// degrees writes microdegrees.
func degrees(udeg int64) string {
	if udeg < 0 {
		udeg = -udeg
	}
	return fmt.Sprintf("%.2f°", float64(udeg)/1e6)
}
