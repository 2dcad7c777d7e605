"""What comes out on paper: the packing slip in a parcel, the placement sheet on the laser's bed."""
