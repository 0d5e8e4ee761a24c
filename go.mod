module fettle

go 1.26
