module dewline

go 1.26
