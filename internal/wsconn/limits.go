package wsconn

import "time"

// Limits are what one connection and one member may take. A zero field stands for the default named beside it.
type Limits struct {
	Connections    int // open at once on this server; 20,000
	PerMember      int // of one member at once; 16
	Follows        int // streams one connection follows at once; 64
	OutboxBytes    int // waiting to be written to one connection; 1 MiB
	OutboxMessages int // the same, counted; 2,048
	Pending        int // commands of one connection waiting or under way; 64
	AtOnce         int // of these, how many streams' commands run at once; 8

	CommandsPerSecond, CommandBurst int // beyond it a command is refused; 50, 100
	FramesPerSecond, FrameBurst     int // beyond it reading waits; 200, 400
	Garbage                         int // unreadable messages in a row before the connection is closed; 20

	HelloWait   time.Duration // for the hello; 10 s
	Heartbeat   time.Duration // what clients are told to send a beat at; 15 s
	PingEvery   time.Duration // must be shorter than PongWait; 25 s
	PongWait    time.Duration // silence after which a client is taken for gone; 60 s
	WriteWait   time.Duration // for one frame to be taken by the network; 10 s
	CloseWait   time.Duration // for the client to answer our close; 5 s
	CommandWait time.Duration // for one command, whether or not the client is still there; 30 s
}

func (l Limits) filled() Limits {
	for _, f := range []struct {
		at        *int
		otherwise int
	}{
		{&l.Connections, 20_000}, {&l.PerMember, 16}, {&l.Follows, 64}, {&l.OutboxBytes, 1 << 20}, {&l.OutboxMessages, 2048},
		{&l.Pending, 64}, {&l.AtOnce, 8}, {&l.CommandsPerSecond, 50}, {&l.CommandBurst, 100}, {&l.FramesPerSecond, 200},
		{&l.FrameBurst, 400}, {&l.Garbage, 20},
	} {
		if *f.at == 0 {
			*f.at = f.otherwise
		}
	}
	for _, f := range []struct {
		at        *time.Duration
		otherwise time.Duration
	}{
		{&l.HelloWait, 10 * time.Second}, {&l.Heartbeat, 15 * time.Second}, {&l.PingEvery, 25 * time.Second},
		{&l.PongWait, 60 * time.Second}, {&l.WriteWait, 10 * time.Second}, {&l.CloseWait, 5 * time.Second},
		{&l.CommandWait, 30 * time.Second},
	} {
		if *f.at == 0 {
			*f.at = f.otherwise
		}
	}
	return l
}

// bucket lets things pass at a rate, and a burst at once. It belongs to one goroutine.
type bucket struct {
	perSecond, burst float64
	level            float64
	at               time.Time
}

func newBucket(perSecond, burst int) bucket {
	return bucket{perSecond: float64(perSecond), burst: float64(burst), level: float64(burst)}
}

// take lets one pass, or says how long it takes until one may.
func (b *bucket) take(now time.Time) (wait time.Duration) {
	if !b.at.IsZero() {
		b.level = min(b.burst, b.level+now.Sub(b.at).Seconds()*b.perSecond)
	}
	b.at = now
	if b.level < 1 {
		return time.Duration((1 - b.level) / b.perSecond * float64(time.Second))
	}
	b.level--
	return 0
}
