#!/bin/sh
# Makes sure that a Chromium which runs without a display is on this machine: the tests of the screens drive one. A
# missing one is installed with the system's package manager if this user may; otherwise the one command to type is printed
# and the exit status is 1. Readback itself needs no browser on the machine it serves from.
set -eu

# The names that the tests look for, in their order.
have_browser() {
	for name in chromium-headless-shell chromium chromium-browser google-chrome; do
		if command -v "$name" >/dev/null 2>&1 && "$name" --version >/dev/null 2>&1; then
			return 0
		fi
	done
	return 1
}

install_browser() {
	if command -v apt-get >/dev/null 2>&1; then
		install_on_debian
	elif command -v dnf >/dev/null 2>&1; then
		dnf install -y chromium-headless || dnf install -y chromium
	elif command -v zypper >/dev/null 2>&1; then
		zypper --non-interactive install chromium
	elif command -v apk >/dev/null 2>&1; then
		apk add chromium
	elif command -v pacman >/dev/null 2>&1; then
		pacman -S --noconfirm chromium
	else
		echo "ensure-chromium: no package manager known here; install Chromium." >&2
		return 1
	fi
}

# The headless shell is the smaller of Debian's two; other descendants of Debian have only the whole browser.
install_on_debian() {
	export DEBIAN_FRONTEND=noninteractive
	for package in chromium-headless-shell chromium; do
		apt-get install -y --no-install-recommends "$package" && return 0
	done
	# Fresh containers have no package lists; old lists may name packages that are gone.
	apt-get update
	for package in chromium-headless-shell chromium; do
		apt-get install -y --no-install-recommends "$package" && return 0
	done
	return 1
}

if have_browser; then
	exit 0
fi
if [ "$(id -u)" -ne 0 ]; then
	if sudo -n true 2>/dev/null; then
		exec sudo -n sh "$0"
	fi
	become='sudo sh'
	command -v sudo >/dev/null 2>&1 || become='as root: sh'
	{
		echo "The tests of the screens need Chromium. To install it, type"
		echo "  $become '$0'"
	} >&2
	exit 1
fi
echo "Installing Chromium, for the tests of the screens"
install_browser
if ! have_browser; then
	echo "ensure-chromium: the packages of this system do not bring a Chromium that runs." >&2
	exit 1
fi
