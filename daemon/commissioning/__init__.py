"""What a technician measures at the plant: the sums behind each test, with how far their results can be relied on."""
