#!/bin/sh
# Makes sure that the programs of a PostgreSQL server, version 14 or newer, are on this machine: initdb and postgres.
# Missing ones are installed with the system's package manager if this user may; otherwise the one command to type is
# printed and the exit status is 1. No server is started, none is left running that was not, and none that is there is
# touched: Readback and its tests run servers of their own.
set -eu

oldest=14

# The major version of the server programs in a directory, or nothing if there are none that run.
version_in() {
	[ -x "$1/initdb" ] && [ -x "$1/postgres" ] || return 0
	"$1/postgres" --version 2>/dev/null | sed -n 's/^postgres (PostgreSQL) \([0-9][0-9]*\).*/\1/p'
}

# Where the server programs are new enough, the same places that Readback looks in.
have_server() {
	too_old=
	in_path=$(command -v postgres 2>/dev/null || true)
	for dir in /usr/lib/postgresql/*/bin /usr/pgsql-*/bin /usr/lib/postgresql[0-9]*/bin /usr/libexec/postgresql* \
		/usr/local/pgsql/bin /usr/local/postgresql*/bin /usr/local/bin /usr/bin "${in_path%/*}"; do
		[ -n "$dir" ] || continue
		major=$(version_in "$dir")
		[ -n "$major" ] || continue
		[ "$major" -lt "$oldest" ] || return 0
		too_old="version $major in $dir"
	done
	# Slow, and seldom another place.
	dir=$(pg_config --bindir 2>/dev/null || true)
	[ -n "$dir" ] || return 1
	major=$(version_in "$dir")
	[ -n "$major" ] && [ "$major" -ge "$oldest" ]
}

install_server() {
	if command -v apt-get >/dev/null 2>&1; then
		install_on_debian
	elif command -v dnf >/dev/null 2>&1; then
		dnf install -y postgresql-server
	elif command -v zypper >/dev/null 2>&1; then
		zypper --non-interactive install postgresql-server
	elif command -v apk >/dev/null 2>&1; then
		apk add postgresql
	elif command -v pacman >/dev/null 2>&1; then
		pacman -S --noconfirm postgresql
	else
		echo "ensure-postgres: no package manager known here; install a PostgreSQL server, version $oldest or newer." >&2
		return 1
	fi
}

# Debian makes and starts a cluster with each new server version, unless a file in this directory says not to. Ours is
# there while we install and no longer, so that what the machine's owner installs later behaves as ever.
no_cluster=/etc/postgresql-common/createcluster.d/readback-installing.conf

install_on_debian() {
	export DEBIAN_FRONTEND=noninteractive
	mkdir -p "${no_cluster%/*}"
	trap 'rm -f "$no_cluster"' EXIT
	trap 'exit 1' HUP INT TERM
	echo 'create_main_cluster = false' >"$no_cluster"
	# Fresh containers have no package lists; old lists may name packages that are gone.
	apt-get install -y --no-install-recommends postgresql || {
		apt-get update
		apt-get install -y --no-install-recommends postgresql
	}
}

if have_server; then
	exit 0
fi
if [ "$(id -u)" -ne 0 ]; then
	if sudo -n true 2>/dev/null; then
		exec sudo -n sh "$0"
	fi
	become='sudo sh'
	command -v sudo >/dev/null 2>&1 || become='as root: sh'
	{
		[ -z "$too_old" ] || echo "The PostgreSQL server here is too old: $too_old."
		echo "Readback needs the programs of a PostgreSQL server, version $oldest or newer. To install them, type"
		echo "  $become '$0'"
	} >&2
	exit 1
fi
echo "Installing a PostgreSQL server (programs only, nothing is started)"
install_server
if ! have_server; then
	echo "ensure-postgres: the packages of this system do not bring a PostgreSQL server of version $oldest or newer${too_old:+ ($too_old)}." >&2
	exit 1
fi
