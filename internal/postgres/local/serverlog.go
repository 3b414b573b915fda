package local

import (
	"bufio"
	"context"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"
)

// keptLines is how many of the server's last lines are kept to explain its end.
const keptLines = 20

// serverLog passes the server's log lines on and keeps the last of them.
type serverLog struct {
	read *os.File
	done chan struct{} // closed when the last line is read

	mu   sync.Mutex
	last []string
}

// newServerLog returns the log and the end of its pipe that goes to the server.
func newServerLog(log *slog.Logger) (*serverLog, *os.File, error) {
	r, w, err := os.Pipe()
	if err != nil {
		return nil, nil, err
	}
	l := &serverLog{read: r, done: make(chan struct{})}
	go l.pass(log)
	return l, w, nil
}

func (l *serverLog) pass(log *slog.Logger) {
	defer close(l.done)
	in := bufio.NewReaderSize(l.read, 8<<10)
	for {
		line, isPart, err := in.ReadLine()
		if err != nil {
			return // the end, or the deadline of end
		}
		text := string(line)
		for isPart && err == nil { // a line longer than the buffer is cut
			_, isPart, err = in.ReadLine()
		}
		l.mu.Lock()
		if l.last = append(l.last, text); len(l.last) > keptLines {
			l.last = l.last[1:]
		}
		l.mu.Unlock()
		log.Log(context.Background(), levelOf(text), "postgres", "said", text)
	}
}

// end reads what the server's last processes still say, for a moment at most, and closes the log.
func (l *serverLog) end() {
	_ = l.read.SetReadDeadline(time.Now().Add(time.Second))
	<-l.done
	l.read.Close()
}

func (l *serverLog) lines() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string(nil), l.last...)
}

func (l *serverLog) lastLine() string {
	if lines := l.lines(); len(lines) > 0 {
		return lines[len(lines)-1]
	}
	return "nothing"
}

// lastFailure is the last line that gives a reason for ending, without its severity.
func (l *serverLog) lastFailure() string {
	lines := l.lines()
	for i := len(lines) - 1; i >= 0; i-- {
		severity, text, ok := strings.Cut(lines[i], ":  ")
		if ok && (severity == "FATAL" || severity == "PANIC") || strings.HasPrefix(lines[i], "postgres: ") {
			if ok {
				return text
			}
			return lines[i]
		}
	}
	return ""
}

// levelOf maps the server's severities. What a statement did wrong goes to its caller as well, so it is no alarm here.
func levelOf(line string) slog.Level {
	severity, text, _ := strings.Cut(line, ":  ")
	switch text {
	case "terminating connection due to administrator command", "connection to client lost": // backends that go more slowly than we stop
		return slog.LevelDebug
	}
	switch severity {
	case "PANIC":
		return slog.LevelError
	case "FATAL", "WARNING":
		return slog.LevelWarn
	case "ERROR":
		return slog.LevelInfo
	}
	return slog.LevelDebug
}
