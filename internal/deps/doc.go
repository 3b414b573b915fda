// Package deps holds no code: its tests keep the direction in which packages import each other, and the reviewed list of
// modules the program is built on.
package deps
