#!/bin/sh
# sh verify.sh                   is this folder as it was sealed? Needs sh and sha256sum, nothing else
# sh verify.sh NUMBER SHA-256    and is that day still the one whose digest was mailed? (HEAD NUMBER:SHA-256 of a mail)
case $0 in */*) cd "${0%/*}" || exit 1 ;; esac
bad() { wrong=yes; echo "WRONG: $1"; }
digest() { set -- $(sha256sum <"$1"); echo "$1"; }
files() { # folder, list of digests, what to say of a file that is not there
    while read -r sum name; do
        if [ ! -e "$1/$name" ]; then [ -z "$3" ] || bad "$name $3"
        elif [ "$(digest "$1/$name")" != "$sum" ]; then bad "$1/$name is not as it was"; fi
    done <"$2"
}
wrong='' number='' last='' mailed=$1
for section in sealed/*.txt; do
    [ -e "$section" ] || { echo "No day of this pile was sealed when the folder was written."; continue; }
    { read -r _ n; read -r _ day; read -r _ before; read -r _ _ readings; } <"$section"
    [ -z "$last" ] || [ "$n $before" = "$((number + 1)) $last" ] || bad "$day does not follow sealed day $number"
    number=$n last=$(digest "$section") dir=${section%.txt}
    if [ "$mailed" = "$n" ]; then mailed=''; [ "$2" = "$last" ] || bad "$day is not the day that was mailed"; fi
    [ -d "$dir" ] || continue
    [ "$(digest "$dir/list")" = "$readings" ] || bad "$dir/list is not the list that was sealed"
    files "$dir" "$dir/list" ''
done
[ -z "$last" ] || [ "head $number $last" = "$(read -r head <HEAD; echo "$head")" ] || bad "HEAD is not sealed day $number"
[ -z "$mailed" ] || bad "day $mailed of the mail is not in this folder"
files . SHA256SUMS "is missing"
[ -z "$wrong" ] || exit 1
echo "All is as it was written${last:+; the last sealed day is HEAD $number:$last}"
