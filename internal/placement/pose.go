package placement

import (
	"math"

	"readback/internal/geom"
)

// The unknowns of a fixture, in the order of a pose. Yaw is relative to the reference line.
const (
	poseX = iota
	poseY
	poseZ
	yaw
	roll
	tilt
	slide
	unknowns
)

// pose is where a fixture stands: its origin in the vehicle frame in mm, its angles in degrees, its slide in mm. Of a
// reflector only the origin means anything.
type pose [unknowns]float64

// gradient holds the derivatives of something by the unknowns of a pose.
type gradient [unknowns]float64

// Before any reading the fixture is taken to stand where it should, within these standard deviations.
const (
	priorMM  = 300.0
	priorDeg = 5.0
)

var priors = pose{priorMM, priorMM, priorMM, priorDeg, priorDeg, priorDeg, priorMM}

// Pose is a fixture's place, for a drawing.
type Pose struct {
	Origin                    geom.Vec // in the vehicle frame
	YawDeg                    float64  // relative to the reference line
	RollDeg                   float64
	TiltDeg                   float64
	SlideMM                   float64
	Target, LeftEnd, RightEnd geom.Vec // in the vehicle frame; all at the origin for a reflector
}

func (p pose) origin() geom.Vec { return geom.Vec{X: p[poseX], Y: p[poseY], Z: p[poseZ]} }

func (p pose) exported(s *scene) Pose {
	stand := s.stand(p)
	return Pose{
		Origin: p.origin(), YawDeg: p[yaw], RollDeg: p[roll], TiltDeg: p[tilt], SlideMM: p[slide],
		Target: stand.mark(Target).at, LeftEnd: stand.mark(LeftEnd).at, RightEnd: stand.mark(RightEnd).at,
	}
}

// pin is a point of the fixture with its derivatives by the pose.
type pin struct {
	at geom.Vec
	by [unknowns]geom.Vec
}

// along gives the derivatives of the pin's coordinate along a direction.
func (p *pin) along(d geom.Vec) gradient {
	var g gradient
	for i, v := range p.by {
		g[i] = v.Dot(d)
	}
	return g
}

// standing is a fixture at a pose, its rotation and its marks worked out once for all readings.
type standing struct {
	scene *scene
	pose  pose
	turn  geom.Rotation
	axis  geom.Vec // that tilt turns about
	pins  [3]pin   // of the marks asked for so far
	has   [3]bool
}

func (s *scene) stand(p pose) standing {
	sin, cos := math.Sincos((s.lineYawDeg + p[yaw]) * geom.Radian)
	return standing{scene: s, pose: p, turn: geom.Turn(s.lineYawDeg+p[yaw], p[tilt], p[roll]), axis: geom.Vec{X: -sin, Y: cos}}
}

var (
	forward = geom.Vec{X: 1}
	left    = geom.Vec{Y: 1}
	up      = geom.Vec{Z: 1}
)

func (s *standing) mark(name string) *pin {
	i := 0
	switch name {
	case RightEnd:
		i = 1
	case Target:
		i = 2
	}
	if !s.has[i] {
		s.pins[i], s.has[i] = s.pin(name), true
	}
	return &s.pins[i]
}

func (s *standing) pin(name string) pin {
	p := pin{at: s.pose.origin()}
	p.by[poseX], p.by[poseY], p.by[poseZ] = forward, left, up
	if s.scene.fixture.Kind == Reflector {
		return p
	}
	f := s.scene.fixture
	own := geom.Vec{X: f.EndAheadOfTargetMM, Y: f.HalfWidthMM, Z: f.EndAboveTargetMM}
	switch name {
	case RightEnd:
		own.Y = -own.Y
	case Target:
		own = geom.Vec{Y: s.pose[slide]}
		p.by[slide] = s.turn.Y
	}
	arm := s.turn.Apply(own)
	p.at = p.at.Add(arm)
	p.by[yaw] = up.Cross(arm).Times(geom.Radian)
	p.by[tilt] = s.axis.Cross(arm).Times(geom.Radian)
	p.by[roll] = s.turn.Apply(forward.Cross(own)).Times(geom.Radian)
	return p
}

// face is the distance from the datum along the reference line, away from the car, to the plane of a board's face.
func (s *standing) face() (float64, gradient) {
	var g gradient
	normal, away := s.turn.X, s.scene.along.Times(s.scene.side)
	lean := normal.Dot(away)
	d := normal.Dot(s.pose.origin().Sub(s.scene.datum)) / lean
	reach := s.pose.origin().Sub(s.scene.datum).Sub(away.Times(d)) // from the point met to the origin, in the face
	g[poseX], g[poseY], g[poseZ] = normal.X/lean, normal.Y/lean, normal.Z/lean
	g[yaw] = up.Cross(normal).Dot(reach) / lean * geom.Radian
	g[tilt] = s.axis.Cross(normal).Dot(reach) / lean * geom.Radian
	return d, g
}

// distance is that between a fixed point and a pin, both seen through a linear map of space.
func distance(from geom.Vec, p *pin, through func(geom.Vec) geom.Vec) (float64, gradient) {
	d := through(p.at.Sub(from))
	length := d.Length()
	var g gradient
	if length == 0 {
		return 0, g
	}
	for i, v := range p.by {
		g[i] = through(v).Dot(d) / length
	}
	return length, g
}
